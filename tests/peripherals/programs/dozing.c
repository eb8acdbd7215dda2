#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>

/* The monitor sleeps as deeply as MODE says until a bee passes; GPIOR0 counts handlers, GPIOR1 passes of the loop. */

ISR(INT0_vect)
{
    GPIOR0++;
}

ISR(PCINT0_vect)
{
    GPIOR0++;
}

int main(void)
{
    EICRA = SENSE;
    EIMSK = 1 << INT0;
    PCMSK0 = 1 << PCINT0;
    PCICR = 1 << PCIE0;
    SMCR = MODE << SM0 | 1 << SE;
    sei();
    for (;;) {
        asm volatile("sleep");
        GPIOR1++;
    }
}
