#include "scale.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define DATA  PD4
#define CLOCK PD5

void scale_begin(void)
{
    PORTD &= ~_BV(CLOCK);
    DDRD |= _BV(CLOCK);
    DDRD &= ~_BV(DATA);
}

bool scale_is_ready(void)
{
    return !(PIND & _BV(DATA));
}

/* The bit is taken while the clock is low again: by then the converter has had time to put it on the wire. */
static uint8_t pulse_and_sample(void)
{
    uint8_t interrupts = SREG;

    cli();
    PORTD |= _BV(CLOCK);
    PORTD &= ~_BV(CLOCK);
    SREG = interrupts;
    return (PIND & _BV(DATA)) != 0;
}

int32_t scale_read(void)
{
    uint32_t counts = 0;

    for (uint8_t bit = 0; bit < 24; bit++)
        counts = counts << 1 | pulse_and_sample();
    pulse_and_sample();

    if (counts & 0x800000)
        counts |= 0xFF000000;
    return (int32_t)counts;
}
