/* Functions of every kind that a listing meets. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

enum season { WINTER, SPRING, SUMMER = 9 };

volatile uint8_t ticks;
uint8_t mode = 3;
static uint16_t total;

ISR(TIMER1_OVF_vect) { ticks++; }
void set_mode(uint8_t chosen) { mode = chosen; }
uint16_t step(uint8_t bees)
{
    total += bees * mode;
    return total + PINB;
}
void wait(void)
{
    ticks = 0;
    while (!ticks)
        ;
}
void convert(void) { ADCSRA = 0x87; }
uint8_t sum(const uint8_t *counts, uint8_t n)
{
    uint8_t all = 0;
    while (n--)
        all += *counts++;
    return all;
}
float half(float weight) { return weight * 0.5f; }
uint8_t by_season(enum season now) { return now == SUMMER ? PINB : 2; }
uint16_t slow(uint16_t n)
{
    volatile uint16_t left = n;
    while (left)
        left--;
    return n;
}
uint8_t three(uint8_t a, uint8_t b, uint8_t c) { return a + b + c; }
static uint8_t doubled(uint8_t x) { return x + x + PINB; }
static uint8_t folded(uint8_t x) { return x + 2; }
uint8_t twice_doubled(uint8_t x) { return doubled(x) + folded(x); }
static uint8_t dropped(uint8_t x) { return x * 3; }
