/* A setup()/loop() program as board packages make them: a tick of 1 ms counts, each fourth pass does more. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

volatile uint16_t ticks;
volatile uint8_t passes;

ISR(TIMER1_COMPA_vect)
{
    ++ticks;
}

__attribute__((noinline)) void setup(void)
{
    OCR1A = 15999;
    TIMSK1 = 1 << OCIE1A;
    TCCR1B = 1 << WGM12 | 1;
    sei();
}

__attribute__((noinline)) void loop(void)
{
    if ((++passes & 3) == 0)
        __builtin_avr_delay_cycles(1000);
}

int main(void)
{
    setup();
    for (;;)
        loop();
}
