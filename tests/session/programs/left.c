/* One of two files with a static function of the same name. */
#include <stdint.h>

static uint16_t total = 3;
static __attribute__((noinline)) uint8_t weigh(uint8_t n)
{
    total += n;
    return n + 1;
}
static __attribute__((noinline)) uint16_t product(uint16_t a, uint16_t b)
{
    return a * b + total;
}
static inline uint8_t folded(uint8_t n)
{
    return n * 5;
}
static uint8_t unused(uint8_t n)
{
    return n - 9;
}

uint8_t left(uint8_t n)
{
    return weigh(n) + folded(n);
}
uint16_t times_seven(uint16_t n)
{
    return product(n, 7) + product(n + 1, 7);
}
