/* A function of about two hundred instructions: a frame of the hive's sensors, unpacked, scaled and limited. */
#include <stdint.h>

struct reading {
    int16_t centidegrees;
    uint16_t permille;
    int32_t grams;
    uint8_t entrances;
};

uint16_t unpack(const uint8_t *frame, struct reading *reading)
{
    uint16_t sum = 0;
    for (uint8_t i = 0; i < 8; ++i)
        sum += frame[i];

    uint16_t temperature = (uint16_t)frame[0] << 6 | frame[1] >> 2;
    uint16_t humidity = (uint16_t)(frame[1] & 3) << 12 | (uint16_t)frame[2] << 4 | frame[3] >> 4;
    uint32_t weight = (uint32_t)(frame[3] & 15) << 16 | (uint16_t)frame[4] << 8 | frame[5];

    reading->centidegrees = (int16_t)(((uint32_t)temperature * 16500UL) >> 14) - 4000;
    reading->permille = (uint16_t)(((uint32_t)humidity * 1000UL) >> 14);
    if (reading->permille > 1000)
        reading->permille = 1000;
    reading->grams = (int32_t)weight - 5000;
    if (reading->grams < 0)
        reading->grams = 0;
    if (reading->grams > 60000)
        reading->grams = 60000;
    reading->grams += (int32_t)(2500 - reading->centidegrees) * 3 / 16;
    reading->entrances = frame[6] ^ (frame[6] >> 1);
    return sum ^ ((uint16_t)frame[7] << 8);
}
