#include "frame.h"

#include "climate.h"
#include "crc.h"
#include "median.h"

/* Found by weighing: nothing, and a sack of 20 kg. */
#define COUNTS_OF_EMPTY_SCALE 84210
#define COUNTS_PER_GRAM       21

int32_t weight_grams(int32_t counts)
{
    return (counts - COUNTS_OF_EMPTY_SCALE) / COUNTS_PER_GRAM;
}

static uint16_t two_bytes(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] << 8 | bytes[1]);
}

static int32_t three_bytes(const uint8_t *bytes)
{
    uint32_t value = (uint32_t)bytes[0] << 16 | two_bytes(bytes + 1);

    return (int32_t)(value & 0x800000 ? value | 0xFF000000 : value);
}

bool frame_read(const uint8_t frame[FRAME_BYTES], struct reading *reading)
{
    if (crc8_frame(frame, FRAME_BYTES) != 0)
        return false;

    reading->hive = frame[FRAME_HIVE];
    reading->temperature_centi = temperature_centi_fixed(two_bytes(frame + FRAME_TEMPERATURE));
    reading->humidity_permille = humidity_permille_fixed(two_bytes(frame + FRAME_HUMIDITY));
    reading->weight_grams = weight_grams(three_bytes(frame + FRAME_WEIGHT));
    reading->bees = median3(frame[FRAME_BEES], frame[FRAME_BEES + 1], frame[FRAME_BEES + 2]);
    return true;
}
