#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>

/* The entrance counter of the hive: bees pass light barriers on INT0 and on pin-change pins.
   GPIOR0 is marked in each handler; the program may drive the pins itself. */

ISR(INT0_vect)
{
    GPIOR0 = 1;
#ifdef RELEASE
    PORTD |= 1 << PD2;
#endif
}

ISR(PCINT0_vect)
{
    GPIOR1 = PINB;
}

#ifdef OWN
/* Toggles its own INT0 pin and counts the instructions, of one cycle each, until the handler is entered. */
int main(void)
{
    DDRD = 1 << PD2;
    EICRA = OWN;
    EIMSK = 1 << INT0;
    sei();
    for (;;) {
        PIND = 1 << PD2;
        asm volatile("nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop");
    }
}
#elif defined(LEVEL)
/* Pulls its own pin low for the low level; the handler lets go of it, or never does. */
int main(void)
{
    DDRD = 1 << PD2;
    PORTD = 1 << PD2;
    EIMSK = 1 << INT0;
    sei();
    PORTD = 0;
    for (;;)
        GPIOR2++;
}
#else
/* Sleeps until something passes. */
int main(void)
{
    PORTB = 1 << PB0;
    PORTD = 1 << PD2;
    EICRA = 1 << ISC01;
    EIMSK = 1 << INT0;
    PCMSK0 = 1 << PCINT0;
    PCICR = 1 << PCIE0;
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    sei();
    for (;;)
        sleep_cpu();
}
#endif
