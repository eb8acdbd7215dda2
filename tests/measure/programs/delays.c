/* Delays of every kind: constant and not, inlined and called, with a handler inside and without. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#include <util/delay.h>

#define APART __attribute__((noinline, noclone))

volatile uint8_t turns;

ISR(TIMER1_COMPA_vect)
{
    ++turns;
}

APART void short_ones(void)
{
    _delay_us(1);
    _delay_us(0.5);
    _delay_us(50);
}

APART void odd_one(void)
{
    _delay_us(0.1); /* 1.6 cycles at 16 MHz */
}

APART void long_one(void)
{
    _delay_ms(1.5);
}

APART void sometimes(uint8_t wanted)
{
    turns++;
    if (wanted)
        _delay_us(10);
}

/* As board packages have them: the argument is a time. */
APART void delayMicroseconds(unsigned int us)
{
    if (us == 0)
        return;
    us <<= 2;
    __asm__ volatile("1: sbiw %0, 1\n brne 1b" : "=w"(us) : "0"(us));
}

APART void delay(unsigned long ms)
{
    while (ms--)
        delayMicroseconds(1000);
}

APART void setup(void)
{
    OCR1A = 999;
    TIMSK1 = 1 << OCIE1A;
    TCCR1B = 1 << WGM12 | 1;
    long_one();
    sei();
}

APART void loop(void)
{
    static uint8_t pass;

    short_ones();
    odd_one();
    long_one();
    sometimes(++pass & 1);
    delay(2);
    delay(pass & 3);
}

int main(void)
{
    setup();
    for (;;)
        loop();
}
