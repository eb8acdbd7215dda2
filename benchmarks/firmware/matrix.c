/* A product of matrices of 32-bit integers: multiplications in the library, loads and stores, many registers. */
#include "rounds.h"

enum { SIZE = 8 };

static int32_t left[SIZE][SIZE], right[SIZE][SIZE], product[SIZE][SIZE];

void prepare(void)
{
    for (uint8_t i = 0; i < SIZE; ++i) {
        for (uint8_t j = 0; j < SIZE; ++j) {
            left[i][j] = 3 * i + j;
            right[i][j] = (int32_t)i - j;
        }
    }
}

uint16_t work(uint16_t checksum)
{
    for (uint8_t i = 0; i < SIZE; ++i) {
        for (uint8_t j = 0; j < SIZE; ++j) {
            int32_t sum = 0;
            for (uint8_t k = 0; k < SIZE; ++k)
                sum += left[i][k] * right[k][j];
            product[i][j] = sum;
        }
    }
    left[product[1][1] & (SIZE - 1)][3] += product[2][3] >> 3;
    return (checksum ^ (uint16_t)product[7][3]) + (uint16_t)product[3][4];
}
