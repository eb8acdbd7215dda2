/* Eight lamps on the lid, behind a shift register with three wires: data, clock and latch. */
#ifndef STATUS_H
#define STATUS_H

#include <stdint.h>

#include "frame.h"

enum {
    LAMP_POWER = 1 << 0,
    LAMP_COLD = 1 << 1,
    LAMP_HOT = 1 << 2,
    LAMP_DAMP = 1 << 3,
    LAMP_HARVEST = 1 << 4, /* heavy enough for the honey to be taken */
    LAMP_SWARM = 1 << 5,   /* so many leave at once that they will not be back */
};

uint8_t status_of(const struct reading *reading);

void status_begin(void);

/* Shifts the lamps out, the highest first, and lets them show all at once. */
void status_show(uint8_t lamps);

#endif
