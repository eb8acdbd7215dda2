#include "frame.h"
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stddef.h>

const uint16_t layout[] PROGMEM = {
    sizeof(frame_t),
    offsetof(frame_t, next),
    offsetof(frame_t, temperature),
    offsetof(frame_t, weight),
    offsetof(frame_t, name),
    offsetof(frame_t, check),
    offsetof(frame_t, at),
    sizeof(((frame_t *)0)->at),
    sizeof(enum mode),
};
const frame_t only_count PROGMEM = {.count = 0x1F};
const frame_t only_wide PROGMEM = {.wide = 0x7FF};
const uint8_t in_ram[3] = {9, 8, 7};
const __flash uint8_t in_flash[3] = {1, 2, 3};
static const uint8_t table[2][4] PROGMEM = {{0, 7, 14, 9}, {28, 27, 18, 21}};
volatile uint8_t overflows;
uint16_t serial_number EEMEM = 0x1234;
frame_t latest = {.temperature = 355, .name = "hive"};
uint8_t *const volatile cursor = &latest.at[0].hour;

uint8_t crc8(const uint8_t *bytes, uint8_t count)
{
    uint8_t crc = 0;
    while (count--)
        crc = crc8_step(crc, *bytes++);
    return crc;
}

int16_t warmest(const frame_t *first, enum mode mode)
{
    int16_t warm = INT16_MIN;
    for (; first; first = first->next)
        if (first->temperature > warm)
            warm = first->temperature;
    return mode == SWARMING ? -warm : warm;
}

static __attribute__((noinline)) uint16_t limited(uint16_t value)
{
    return value > 1000 ? 1000 : value;
}

__attribute__((noinline)) uint8_t looked_up(const __flash uint8_t *from, const __memx char *far, uint8_t index)
{
    return from[index] + *far + pgm_read_byte(&table[1][index & 3]);
}

static __attribute__((noinline)) uint8_t mixed(uint8_t a, uint8_t b)
{
    PORTC = a;
    PORTD = b;
    return a ^ b;
}

uint8_t never_called(uint8_t mask)
{
    for (uint8_t n = 0; n < mask; n++)
        PORTB = n;
    return mask * 3;
}
uint8_t second_name(uint8_t mask) __attribute__((alias("never_called")));

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

int main(void)
{
    static uint8_t bytes[5];
    sei();
    for (;;) {
        bytes[0] = PINB;
        latest.kind = crc8(bytes, sizeof bytes);
        latest.temperature = warmest(&latest, PINC);
        latest.wide = limited(scaled(latest.temperature, 3));
        overflows += looked_up(in_flash, (const __memx char *)in_flash, PIND) + in_ram[overflows & 1];
        PORTB = mixed(PINB, 3) + mixed(PINC, 3);
        PORTD = swapped(doubled(PIND)) + *cursor + eeprom_read_word(&serial_number);
    }
}
