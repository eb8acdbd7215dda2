/* The scale under the hive: a load cell behind a 24-bit converter with two wires, one for data and one for the clock.
 *
 * The converter pulls data low when a weight is ready. Each clock pulse then brings one bit, highest first, in two's
 * complement; one pulse more starts the next conversion.
 */
#ifndef SCALE_H
#define SCALE_H

#include <stdbool.h>
#include <stdint.h>

void scale_begin(void);
bool scale_is_ready(void);

/* Reads the weight that is ready, in counts of the converter. A clock that stays high for longer than 60 µs would
 * switch the converter off, so interrupts are held back while it is high. */
int32_t scale_read(void);

#endif
