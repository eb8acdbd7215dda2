// What the hive's sensors send, shared by the units below.
#pragma once
#include <stdint.h>

enum mode { ASLEEP, WEIGHING = 5, SWARMING = -1 };

struct frame {
    struct frame *next;
    uint8_t kind : 3;
    uint8_t count : 5;
    uint16_t wide : 11;
    int16_t temperature;
    union {
        float kilograms;
        uint32_t raw;
    } weight;
    char name[4];
    uint8_t (*check)(const struct frame *, uint8_t);
    struct {
        uint8_t hour, minute;
    } at[2];
};
typedef struct frame frame_t;

// Inlined in one unit and called in the other.
static inline uint8_t crc8_step(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++)
        crc = crc & 0x80 ? (crc << 1) ^ 0x07 : crc << 1;
    return crc;
}

uint8_t crc8(const uint8_t *bytes, uint8_t count);
int16_t warmest(const frame_t *first, enum mode mode);
long scaled(int16_t reading, ...);
uint8_t swapped(uint8_t byte);
uint8_t doubled(uint8_t byte);
