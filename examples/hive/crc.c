#include "crc.h"

#include "flash.h"

#define POLYNOMIAL 0x8C /* 0x31 with its bits in reverse, since the lowest bit goes first */

uint8_t crc8_step_bits(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++) {
        if (crc & 1)
            crc = (crc >> 1) ^ POLYNOMIAL;
        else
            crc >>= 1;
    }
    return crc;
}

/* What four steps of crc8_step_bits do to each half byte. */
static const uint8_t half_byte_table[16] PROGMEM = {
    0x00, 0x9D, 0x23, 0xBE, 0x46, 0xDB, 0x65, 0xF8, 0x8C, 0x11, 0xAF, 0x32, 0xCA, 0x57, 0xE9, 0x74,
};

uint8_t crc8_step_nibbles(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    crc = (crc >> 4) ^ pgm_read_byte(&half_byte_table[crc & 0x0F]);
    crc = (crc >> 4) ^ pgm_read_byte(&half_byte_table[crc & 0x0F]);
    return crc;
}

static const uint8_t flash_table[256] PROGMEM = {
#include "crc_table.inc"
};

uint8_t crc8_step_table(uint8_t crc, uint8_t byte)
{
    return pgm_read_byte(&flash_table[crc ^ byte]);
}

/* Neither const nor static: a table that nothing can write is the same to gcc 5.4 as the flash table of equal contents,
 * and it then makes one table of the two, in RAM, where LPM does not read. */
uint8_t crc8_ram_table[256] = {
#include "crc_table.inc"
};

uint8_t crc8_step_ram_table(uint8_t crc, uint8_t byte)
{
    return crc8_ram_table[crc ^ byte];
}

uint8_t crc8_frame(const uint8_t *frame, uint8_t length)
{
    uint8_t crc = 0;

    while (length--)
        crc = crc8_step_table(crc, *frame++);
    return crc;
}
