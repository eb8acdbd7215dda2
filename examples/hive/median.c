#include "median.h"

static uint8_t least(uint8_t a, uint8_t b)
{
    return a < b ? a : b;
}

static uint8_t greatest(uint8_t a, uint8_t b)
{
    return a < b ? b : a;
}

uint8_t median3(uint8_t a, uint8_t b, uint8_t c)
{
    return greatest(least(a, b), least(greatest(a, b), c));
}

uint8_t median5(const uint8_t samples[5])
{
    /* Of two pairs, the smaller of the two least and the larger of the two greatest cannot be the median of five. */
    uint8_t low = greatest(least(samples[0], samples[1]), least(samples[2], samples[3]));
    uint8_t high = least(greatest(samples[0], samples[1]), greatest(samples[2], samples[3]));

    return median3(low, high, samples[4]);
}
