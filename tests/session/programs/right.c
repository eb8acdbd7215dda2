/* The other file with a static function of the same name, and main. */
#include <avr/interrupt.h>
#include <stdint.h>

static uint16_t total = 4;
volatile uint8_t ticks = 9;
static __attribute__((noinline)) uint8_t weigh(uint8_t n)
{
    total += n;
    return n + 2;
}

uint8_t left(uint8_t n);
uint16_t times_seven(uint16_t n);

ISR(TIMER1_OVF_vect)
{
    ++ticks;
}

uint8_t right(uint8_t n)
{
    return weigh(n) + ticks;
}

int main(void)
{
    ticks = left(1) + right(2) + times_seven(3);
    for (;;) {
    }
}
