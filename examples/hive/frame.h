/* What the sensors in a hive send: one frame a minute, twelve bytes, its checksum last. */
#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stdint.h>

/* Where in the frame; numbers of several bytes have the highest byte first. */
enum {
    FRAME_HIVE = 0,
    FRAME_TEMPERATURE = 1, /* 2 bytes, see climate.h */
    FRAME_HUMIDITY = 3,    /* 2 bytes, see climate.h */
    FRAME_WEIGHT = 5,      /* 3 bytes, see scale.h */
    FRAME_BEES = 8,        /* 3 counts, see median.h */
    FRAME_CRC = 11,        /* see crc.h */
    FRAME_BYTES = 12
};

struct reading {
    uint8_t hive;
    int16_t temperature_centi;
    uint16_t humidity_permille;
    int32_t weight_grams;
    uint8_t bees;
};

/* Converts counts of the scale's converter, as they came, to grams above the empty scale. */
int32_t weight_grams(int32_t counts);

/* Takes a frame apart. False, and the reading is as it was, where the checksum does not hold. */
bool frame_read(const uint8_t frame[FRAME_BYTES], struct reading *reading);

#endif
