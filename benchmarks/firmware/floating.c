/* Floating point without hardware for it: the library's sine, square root, product and sum; calls within calls. */
#include <math.h>

#include "rounds.h"

static float angle = 0.1f;

void prepare(void)
{
}

uint16_t work(uint16_t checksum)
{
    union {
        float value;
        uint16_t halves[2];
    } result;

    result.value = angle;
    for (uint8_t i = 0; i < 20; ++i)
        result.value = sin(result.value) + sqrt(result.value * result.value + 1.0f);
    angle += 0.01f;
    if (angle > 3.0f)
        angle = 0.1f;
    return checksum ^ result.halves[0] ^ result.halves[1];
}
