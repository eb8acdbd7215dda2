/* Programs that get nowhere, each in its own way: WAIT names it. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>

#define A_FLAG 1
#define A_FLAG_WITH_INTERRUPTS_OFF 2
#define SLEEP_WITH_A_TIMER_THAT_TELLS_NOBODY 3
#define A_TICK 4
#define NOTHING 5

volatile uint8_t ticked;

ISR(TIMER1_OVF_vect)
{
    ticked = 1;
}

int main(void)
{
#if WAIT == A_FLAG
    sei();
#elif WAIT == A_FLAG_WITH_INTERRUPTS_OFF
    TIMSK1 = 1 << TOIE1;
    TCCR1B = 1 << CS10;
#elif WAIT == SLEEP_WITH_A_TIMER_THAT_TELLS_NOBODY
    TCCR1B = 1 << CS10;
    sei();
    sleep_mode(); /* for ever */
#elif WAIT == A_TICK
    TIMSK1 = 1 << TOIE1;
    TCCR1B = 1 << CS10;
    sei();
#elif WAIT == NOTHING
    for (;;) {
        __asm__ volatile("nop");
        __asm__ volatile("nop");
    }
#endif
    while (!ticked) { /* the wait */
    }
    for (;;) {
        ticked = 0; /* writes for ever */
    }
}
