/* Loops that people write to wait. */
#include <stdint.h>
#include <util/delay.h>

void one_microsecond(void)
{
    _delay_us(1);
}

void empty_loop(void)
{
    for (uint16_t i = 0; i < 1000; i++) {
    }
}

void volatile_loop(void)
{
    for (volatile uint16_t i = 0; i < 1000; i++) {
    }
}
