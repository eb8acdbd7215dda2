/* CRC-8 over a buffer, bit by bit: shifts, branches, few registers. */
#include "rounds.h"

static uint8_t frame[64];

static uint8_t crc8_step(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; ++bit)
        crc = crc & 1 ? (crc >> 1) ^ 0x8c : crc >> 1;
    return crc;
}

void prepare(void)
{
    for (uint8_t i = 0; i < sizeof frame; ++i)
        frame[i] = 7 * i;
}

uint16_t work(uint16_t checksum)
{
    uint8_t crc = checksum & 0xff;

    for (uint8_t i = 0; i < sizeof frame; ++i)
        crc = crc8_step(crc, frame[i]);
    frame[crc & 63] = crc;
    return (checksum << 8) | crc;
}
