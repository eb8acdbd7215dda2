/* Readings of the climate sensor: it sends two 16-bit numbers, each a fraction of its whole range.
 *
 *     temperature = -42 °C + 168 °C * raw / 65535
 *     humidity    = 100 % * raw / 65535
 *
 * Temperatures are in hundredths of a degree Celsius, humidities in tenths of a percent, both rounded to the nearest.
 * The …_fixed functions divide by 65536 instead, which costs nothing, and so may differ by 1 from the …_float ones.
 */
#ifndef CLIMATE_H
#define CLIMATE_H

#include <stdint.h>

int16_t temperature_centi_fixed(uint16_t raw);
int16_t temperature_centi_float(uint16_t raw);

uint16_t humidity_permille_fixed(uint16_t raw);
uint16_t humidity_permille_float(uint16_t raw);

#endif
