/* Text over the first serial port: 38400 baud, 8 data bits, no parity, 1 stop bit. Each call waits for room. */
#ifndef SERIAL_H
#define SERIAL_H

#include <stdint.h>

void serial_begin(void);
void serial_byte(uint8_t byte);

/* Sends a text that stands in flash, as PSTR("…") puts it there. */
void serial_text(const char *text_in_flash);

/* Sends a number in tenths, hundredths … as a decimal fraction: (-705, 2) gives "-7.05"; at most 9 decimals. */
void serial_decimal(int32_t value, uint8_t decimals);

#endif
