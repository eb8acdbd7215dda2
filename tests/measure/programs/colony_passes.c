// A setup()/loop() program with its own main, as board packages have it.
#include <avr/interrupt.h>
#include <avr/io.h>

#ifndef APART
#define APART __attribute__((noinline))
#endif

volatile uint16_t passes;
volatile uint8_t overflows, wakes;
static uint8_t threshold;

ISR(TIMER1_OVF_vect) { overflows++; }

APART void settle(void) {
    while (!overflows)
        ;
}

APART void setup(void) {
    threshold = 40;
    DDRB = 1;
    TIMSK1 = _BV(TOIE1);
    TCCR1B = _BV(CS10);
    sei();
#ifdef WAITS
    settle();
#endif
#ifdef HANGS
    for (;;)
        wakes++;
#endif
}

APART void loop(void) {
    passes++;
    PORTB ^= 1;
    if (passes == 0)
        wakes = 1;
}

uint8_t is_crowded(uint8_t bees) { return bees > threshold; }
uint16_t ticks(void) { return TCNT1; }
uint16_t passes_now(void) { return passes; }
uint8_t overflows_now(void) { return overflows; }
uint8_t interrupts_enabled(void) { return SREG >> 7; }
void never_called(void) { wakes = 9; }

int main(void) {
    setup();
    for (;;)
        loop();
}
