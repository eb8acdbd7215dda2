#include <avr/interrupt.h>
#include <avr/io.h>

/* A timer that clears at TOP, or runs round when there is no TOP, with a mark at every interrupt. */

ISR(TIMER1_COMPA_vect) { GPIOR0 = GPIOR0 + 1; }
ISR(TIMER1_OVF_vect) { GPIOR1 = GPIOR1 + 1; }

int main(void)
{
#ifdef TOP
    OCR1A = TOP;
    TIMSK1 = 1 << OCIE1A;
    TCCR1B = 1 << WGM12 | SELECT;
#else
    TIMSK1 = 1 << TOIE1;
    TCCR1B = SELECT;
#endif
    sei();
    for (;;)
        ;
}
