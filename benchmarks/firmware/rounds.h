/* Rounds of the same work, each ended by its checksum on the serial port: two bytes, which fit the transmitter's
 * buffer, so that nothing waits and every simulator executes the same instructions from one checksum to the next.
 *
 * PASSES says how often a round repeats its work. With TICK a timer interrupt comes every 16,384 cycles. */
#ifndef ROUNDS_H
#define ROUNDS_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#ifndef PASSES
#define PASSES 1
#endif

/* One pass of a benchmark's work, from the state that the last one left; gives its checksum. */
uint16_t work(uint16_t checksum);

/* What a benchmark has to set up once. */
void prepare(void);

#ifdef TICK
static volatile uint16_t ticks;

ISR(TIMER1_COMPA_vect)
{
    ++ticks;
}

static void start_ticking(void)
{
    OCR1A = 16383;
    TCCR1B = _BV(WGM12) | _BV(CS10);
    TIMSK1 = _BV(OCIE1A);
    sei();
}
#else
static void start_ticking(void)
{
}
#endif

static void send(uint8_t value)
{
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = value;
}

int main(void)
{
    uint16_t checksum = 0;

    UCSR0B = _BV(TXEN0);
    UBRR0 = 0;
    prepare();
    start_ticking();
    for (;;) {
        send(checksum & 0xff);
        send(checksum >> 8);
        for (uint32_t pass = 0; pass < PASSES; ++pass)
            checksum = work(checksum);
    }
}

#endif
