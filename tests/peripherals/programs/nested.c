/* A frame counter whose slow handler lets the quick one in. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/atomic.h>

volatile uint8_t depth, deepest, quick, slow;

ISR(TIMER0_COMPA_vect) {
    quick++;
    if (++depth > deepest)
        deepest = depth;
    GPIOR1 = depth;
    depth--;
}

ISR(TIMER1_COMPA_vect, ISR_NOBLOCK) {
    depth++;
    slow++;
    GPIOR0 = slow;
    for (uint8_t n = 0; n < 100; n++)
        __asm__ volatile("nop");
    GPIOR2 = quick;
    depth--;
}

int main(void) {
    OCR0A = 99;
    TCCR0A = 1 << WGM01;
    TCCR0B = 1 << CS00;
    TIMSK0 = 1 << OCIE0A;
    OCR1A = 1999;
    TCCR1B = (1 << WGM12) | (1 << CS10);
    TIMSK1 = 1 << OCIE1A;
    sei();
    for (;;) {
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
            quick &= 0x7f;
        }
    }
}
