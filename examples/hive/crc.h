/* The checksum of a sensor frame: CRC-8 with polynomial x^8 + x^5 + x^4 + 1, lowest bit first, starting from 0.
 *
 * The catalogue of parametrised CRC algorithms lists it as CRC-8/MAXIM-DOW (poly 0x31, refin and refout true, init and
 * xorout 0x00); its check value, the CRC of the nine characters "123456789", is 0xA1.
 *
 * Each crc8_step_… takes the checksum so far and the next byte, and gives the checksum with that byte in it. All of
 * them give the same; they differ in how long they take and in how much flash and RAM they need.
 */
#ifndef CRC_H
#define CRC_H

#include <stdint.h>

uint8_t crc8_step_bits(uint8_t crc, uint8_t byte);      /* no table */
uint8_t crc8_step_nibbles(uint8_t crc, uint8_t byte);   /* 16 bytes of flash */
uint8_t crc8_step_table(uint8_t crc, uint8_t byte);     /* 256 bytes of flash */
uint8_t crc8_step_ram_table(uint8_t crc, uint8_t byte); /* 256 bytes of RAM, and of flash to fill it from */

/* The checksum of a whole frame. A frame that ends with its own checksum gives 0. */
uint8_t crc8_frame(const uint8_t *frame, uint8_t length);

#endif
