/* Three rounds of watching a hive, from reset to the end: calls direct, tail, recursive, abandoned; a tick each 4 ms. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <setjmp.h>
#include <stdint.h>

volatile uint8_t ticks;
static jmp_buf rescue;

ISR(TIMER1_OVF_vect)
{
    ++ticks;
}

__attribute__((noinline)) uint16_t square(uint8_t n)
{
    return n * n;
}

uint16_t also_square(uint8_t n) __attribute__((alias("square")));

__attribute__((noinline)) uint16_t next_square(uint8_t n)
{
    return square(n + 1); /* a tail call: JMP */
}

__attribute__((noinline)) uint8_t bees_below(uint8_t level)
{
    return level ? bees_below(level - 1) + bees_below(level - 1) + 1 : 0;
}

__attribute__((noinline)) void refuse(uint8_t round)
{
    if (round == 2)
        longjmp(rescue, 1);
    __asm__ volatile("nop");
}

__attribute__((noinline)) void wait_for_tick(void)
{
    uint8_t before = ticks;

    while (ticks == before) {
    }
}

__attribute__((noinline)) void send(char letter)
{
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = letter;
}

int main(void)
{
    uint16_t sum = 0;

    UBRR0 = 8;
    UCSR0B = _BV(TXEN0);
    TCCR1B = _BV(CS10);
    TIMSK1 = _BV(TOIE1);
    sei();
    for (uint8_t round = 1; round <= 3; ++round) {
        GPIOR0 = round;
        wait_for_tick();
        if (!setjmp(rescue))
            refuse(round);
        sum += next_square(round) + square(round);
        sum += bees_below(round);
        send('0' + round);
    }
    UCSR0A = _BV(TXC0);
    send('\n');
    while (!(UCSR0A & _BV(TXC0))) {
    }
    TIMSK1 = 0;
    TCCR1B = 0;
    GPIOR0 = sum;
    return 0;
}
