/* A pending interrupt and a function that is entered right behind SEI, by falling into it. */
#include <avr/interrupt.h>
#include <avr/io.h>

ISR(TIMER1_COMPA_vect)
{
    GPIOR1 = GPIOR0;
    TIMSK1 = 0;
}

void fallen_into(void);

int main(void)
{
    OCR1A = 10;
    TCCR1B = _BV(CS10);
    TIMSK1 = _BV(OCIE1A);
    __builtin_avr_delay_cycles(100);
    __asm__ volatile("rcall falls\n\trjmp done\n"
                     "falls: ldi r24, 1\n\tsei\n"
                     ".global fallen_into\n.type fallen_into, @function\n"
                     "fallen_into: out %0, r24\n\tnop\n\tret\n"
                     "done:\n"
                     :
                     : "I"(_SFR_IO_ADDR(GPIOR0))
                     : "r24");
    return 0;
}
