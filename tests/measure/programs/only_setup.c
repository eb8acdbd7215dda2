// Functions of a setup()/loop() program without the main that would call them.
#include <stdint.h>

static volatile uint8_t mode;

void setup(void) { mode = 7; }
void loop(void) { mode++; }
uint8_t chosen(void) { return mode; }
