/* Two timers' interrupts around a function that a sled of NOPs leads to: each turn enters the sled one NOP earlier. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#define SLED 300

volatile uint16_t ticks;
volatile uint8_t flag;
uint8_t frame[8] = {1, 2, 3, 4, 5, 6, 7, 8};

ISR(TIMER1_COMPA_vect)
{
    ++ticks;
}

ISR(TIMER1_COMPB_vect)
{
    flag = 1;
}

__attribute__((noinline)) uint8_t sum(const uint8_t *bytes, uint8_t length)
{
    uint8_t total = 0;

    while (length--)
        total += *bytes++;
    return total;
}

__attribute__((noinline)) uint8_t looks_at_flag(uint8_t turns)
{
    uint8_t seen = 0;

    while (turns--) {
        if (flag) {
            flag = 0;
            seen += 3;
            __asm__ volatile("nop\n nop\n nop");
        }
    }
    return seen;
}

__attribute__((noinline)) void waits_for_flag(void)
{
    flag = 0;
    while (!flag) {
    }
}

__attribute__((noinline)) uint8_t guarded(uint8_t turns)
{
    uint8_t before = SREG;

    cli();
    while (turns--)
        __asm__ volatile("nop");
    SREG = before;
    return 0;
}

volatile uint8_t result;

/* Everything the calls need is in place here: only the sled and the call follow. */
__attribute__((noinline, naked)) void through_the_sled(const uint8_t *bytes, uint8_t length, uint16_t entry)
{
    __asm__ volatile("movw r30, r20\n"
                     "ijmp\n"
                     ".global sled\n"
                     "sled:\n"
                     ".rept 300\n"
                     "nop\n"
                     ".endr\n"
                     ".global sled_end\n"
                     "sled_end:\n"
                     "call sum\n"
                     "ret\n");
}

extern void sled(void);

int main(void)
{
    OCR1A = 249;
    OCR1B = 120;
    TIMSK1 = 1 << OCIE1A | 1 << OCIE1B;
    TCCR1B = 1 << WGM12 | 1;
    sei();
    for (uint16_t nops = 0; nops < SLED; nops++) {
        TCNT1 = 0;
        through_the_sled(frame, sizeof frame, (uint16_t)sled + SLED - nops);
    }
    for (;;) {
        waits_for_flag();
        result = sum(frame, sizeof frame) + looks_at_flag(9) + guarded(20);
    }
}
