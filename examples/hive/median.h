/* The light gate at the entrance counts bees, and now and then a leaf: the median of a few counts leaves it out. */
#ifndef MEDIAN_H
#define MEDIAN_H

#include <stdint.h>

uint8_t median3(uint8_t a, uint8_t b, uint8_t c);
uint8_t median5(const uint8_t samples[5]);

#endif
