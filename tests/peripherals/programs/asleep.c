#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

/* Each interrupt wakes the chip; its handler reads the timer with its first instruction. */

ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    asm volatile("lds r24, %0" : : "n"(_SFR_MEM_ADDR(TCNT1L)));
    asm volatile("out %0, r24" : : "I"(_SFR_IO_ADDR(GPIOR0)));
    reti();
}

int main(void)
{
    OCR1A = 999;
    TIMSK1 = 1 << OCIE1A;
    TCCR1B = 1 << WGM12 | 1;
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    for (;;)
        sleep_mode();
}
