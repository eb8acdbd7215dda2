#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

/* The beehive monitor's clock: timer 0 runs through at clock/64, its overflows are counted, and the time in
   microseconds is put together of both. At 16 MHz a tick of the timer is 4 microseconds. */

static volatile uint32_t rounds;

ISR(TIMER0_OVF_vect) { rounds++; }

static uint32_t now(void)
{
    uint8_t before = SREG;
    cli();
    uint32_t high = rounds;
    uint8_t low = TCNT0;
    /* A round that was completed while interrupts were off is not counted yet. */
    if ((TIFR0 & 1 << TOV0) && low < 255)
        high++;
    SREG = before;
    return (high << 8 | low) * 4;
}

volatile uint32_t moments[COUNT];

int main(void)
{
    TCCR0A = 1 << WGM01 | 1 << WGM00;
    TIMSK0 = 1 << TOIE0;
    TCCR0B = 3;
    sei();
    for (uint16_t n = 0; n < COUNT; n++)
        moments[n] = now();
    /* Has a bee passed in the meantime? Each byte of the differences goes out of a register that somebody watches. */
    for (uint16_t n = 1; n < COUNT; n++)
        GPIOR0 = moments[n] - moments[n - 1];
    GPIOR1 = 1;
    for (;;)
        ;
}
