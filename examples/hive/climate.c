#include "climate.h"

#define COLDEST_CENTI     (-4200)
#define RANGE_CENTI       16800
#define RANGE_PERMILLE    1000
#define FULL_SCALE        65535.0f
#define HALF_OF_2_TO_16   0x8000u

int16_t temperature_centi_fixed(uint16_t raw)
{
    uint16_t above_coldest = ((uint32_t)raw * RANGE_CENTI + HALF_OF_2_TO_16) >> 16;

    return COLDEST_CENTI + (int16_t)above_coldest;
}

int16_t temperature_centi_float(uint16_t raw)
{
    float temperature = COLDEST_CENTI + RANGE_CENTI * (raw / FULL_SCALE);

    /* The conversion to an integer cuts towards zero, so the half that rounds goes the same way as the sign. */
    return temperature < 0 ? temperature - 0.5f : temperature + 0.5f;
}

uint16_t humidity_permille_fixed(uint16_t raw)
{
    return ((uint32_t)raw * RANGE_PERMILLE + HALF_OF_2_TO_16) >> 16;
}

uint16_t humidity_permille_float(uint16_t raw)
{
    return RANGE_PERMILLE * (raw / FULL_SCALE) + 0.5f;
}
