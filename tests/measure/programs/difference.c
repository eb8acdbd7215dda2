/* A program with a statement and without it: STATEMENT stands in a loop, on a line of its own. */
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdint.h>
#include <util/delay.h>

#define BARRIER() __asm__ volatile("" ::: "memory")
#define GREATER(a, b) ({ uint8_t _a = (a), _b = (b); _a > _b ? _a : _b; })

struct cell { uint8_t offset, gain; uint16_t weight; };

volatile uint8_t turn, crc, byte = 0x31, raw = 9;
volatile uint16_t weight;
volatile uint32_t grams = 70000;
volatile uint64_t total = 3;
volatile float celsius = 21.5;
volatile struct cell cell = {3, 5, 0};
static const uint8_t humidity[8] PROGMEM = {0, 12, 25, 37, 50, 62, 75, 87};

static inline __attribute__((always_inline)) uint8_t step(uint8_t sum, uint8_t next)
{
    sum ^= next;
    for (uint8_t bit = 0; bit < 8; bit++)
        sum = sum & 0x80 ? sum << 1 ^ 0x07 : sum << 1;
    return sum;
}

__attribute__((noinline)) uint8_t parity(uint8_t bits)
{
    bits ^= bits >> 4;
    bits ^= bits >> 2;
    return (bits ^ bits >> 1) & 1;
}

__attribute__((noinline)) void finish(void)
{
    BARRIER();
}

int main(void)
{
    for (turn = 0; turn < 5; turn++) {
        raw = raw + turn;
        BARRIER();
        STATEMENT; /* statement */
        BARRIER();
        byte = raw;
    }
    finish();
    for (;;)
        ;
}
