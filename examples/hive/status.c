#include "status.h"

#include <avr/io.h>

#define DATA  PB0
#define CLOCK PB1
#define LATCH PB2

uint8_t status_of(const struct reading *reading)
{
    uint8_t lamps = LAMP_POWER;

    if (reading->temperature_centi < 3200)
        lamps |= LAMP_COLD;
    if (reading->temperature_centi > 3700)
        lamps |= LAMP_HOT;
    if (reading->humidity_permille > 750)
        lamps |= LAMP_DAMP;
    if (reading->weight_grams > 45000)
        lamps |= LAMP_HARVEST;
    if (reading->bees > 200)
        lamps |= LAMP_SWARM;
    return lamps;
}

void status_begin(void)
{
    DDRB |= _BV(DATA) | _BV(CLOCK) | _BV(LATCH);
}

void status_show(uint8_t lamps)
{
    for (uint8_t bit = 0; bit < 8; bit++) {
        if (lamps & 0x80)
            PORTB |= _BV(DATA);
        else
            PORTB &= ~_BV(DATA);
        PORTB |= _BV(CLOCK);
        PORTB &= ~_BV(CLOCK);
        lamps <<= 1;
    }
    PORTB |= _BV(LATCH);
    PORTB &= ~_BV(LATCH);
}
