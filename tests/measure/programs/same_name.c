// A parameter that hides a global of its name.
#include <stdint.h>

uint8_t bees;
static uint8_t all(void) { return bees; }
uint8_t more(uint8_t bees) { return bees + all(); }
