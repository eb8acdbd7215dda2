/* A beehive monitor whose lines are timed; each line that a test names ends in a comment with its name. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <setjmp.h>
#include <stdint.h>

#define CYCLES_5() __asm__ volatile("nop\n\tnop\n\tnop\n\tnop\n\tnop")
#define FOREVER for (;;)

uint8_t frame[6];
volatile uint8_t seed, sum, level;
volatile uint16_t ticks;
static jmp_buf back;

ISR(TIMER1_OVF_vect)
{
    ticks++; /* tick */
}

__attribute__((noinline)) uint8_t weigh(uint8_t bees)
{ /* weigh begins */
    uint8_t total = 0;
    while (bees--)
        total += bees ^ seed;
    return total;
} /* weigh ends */

static inline __attribute__((always_inline)) void twice(uint8_t value)
{
    level = value; /* twice first */
    level ^= 0x5A; /* twice last */
}

__attribute__((noinline)) uint8_t bees_below(uint8_t depth)
{
    if (depth == 0)
        return 1;
    uint8_t left = bees_below(depth - 1); /* recursion */
    CYCLES_5();                           /* after recursion */
    return left + bees_below(depth - 1);
}

__attribute__((noinline)) uint8_t pass_on(uint8_t bees)
{
    CYCLES_5();             /* pass on first */
    return weigh(bees + 1); /* pass on last */
}

__attribute__((noinline)) void refuse(uint8_t reason)
{
    if (reason == 2)
        longjmp(back, 1);
    level = reason;
}

__attribute__((noinline)) uint8_t choose(uint8_t which)
{
    switch (which) { /* switch first */
    case 0: sum = 7; level = 2; break;
    case 1: sum = seed; break;
    case 2: level = seed + 3; break;
    case 3: sum ^= 5; break;
    case 4: level = sum; break;
    case 5: seed = 9; break;
    case 6: seed ^= sum; break;
    case 7: sum += 3; break;
    } /* switch last */
    return level;
}

static void poll(void)
{
    for (uint8_t n = 0; n < 4; n++) { /* loop */
        CYCLES_5();     /* nops */
        frame[n] = n;   /* body */
    } /* loop ends */
}

int main(void)
{
    TCCR1B = 1;
    TCNT1 = 0xFF00;
#ifdef TICKING
    TIMSK1 = 1 << TOIE1;
    sei();
#endif
    poll(); /* poll */
    for (uint8_t bees = 1; bees < 4; bees++)
        sum = weigh(bees); /* weigh */
    twice(seed); /* first twice */
    CYCLES_5();
    twice(sum); /* second twice */
    sum = bees_below(3); /* below */
    sum = pass_on(5);    /* pass on */
    for (uint8_t which = 0; which < 9; which++)
        choose(which); /* choose */
    for (uint8_t reason = 1; reason < 4; reason++) {
        if (setjmp(back) == 0)
            refuse(reason); /* refuse */
    }
    FOREVER {
        PINB = 1; /* toggle */
        PINB = 2; /* toggle again */
    }
}
