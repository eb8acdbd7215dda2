/* What a line of the hive's firmware may stand among: types, macros, statics, an interrupt, a pause. */
#include "scales.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define LED PB5
#define LIMIT 40

volatile uint16_t weight;
volatile uint8_t bees = 7;
static struct hive hives[4] = {{100, BROOD}, {200, IDLE}, {300, SWARM}, {400, IDLE}};
static uint8_t counted;

ISR(TIMER1_COMPA_vect) { counted++; }

static inline void gate_write(uint8_t pin, uint8_t level)
{
    if (level)
        PORTB |= 1 << pin;
    else
        PORTB &= ~(1 << pin);
}

static __attribute__((noinline)) uint8_t crc8_step(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++)
        crc = crc & 1 ? (crc >> 1) ^ 0x8C : crc >> 1;
    return crc;
}

/* As short pauses often are: none at all up to a microsecond, else four cycles a turn. */
static inline void settle(uint16_t microseconds)
{
    if (microseconds <= 1)
        return;
    microseconds = microseconds * 4 - 5;
    __asm__ __volatile__("1: sbiw %0, 1\n\tbrne 1b" : "=w"(microseconds) : "0"(microseconds));
}

static uint8_t unused_twice(uint8_t n)
{
    return 2 * n;
}

int main(void)
{
    for (;;) {
        gate_write(bees, weight > LIMIT);
        weight += hives[bees & 3].weight;
        bees = crc8_step(bees, counted++);
        settle(weight);
    }
}
