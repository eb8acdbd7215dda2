/* The calibration block of a hive's load cell, kept in EEPROM. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>

struct calibration {
    uint16_t offset;
    uint32_t scale;
    uint8_t cells[6];
};

struct calibration EEMEM kept = {0x1234, 0x89abcdef, {1, 2, 3, 4, 5, 6}};
uint8_t EEMEM count = 7;
struct calibration read;
volatile uint8_t ready;

#ifdef EE_READY_vect
ISR(EE_READY_vect)
#else
ISR(EE_RDY_vect)
#endif
{
    ready++;
    EECR &= ~(1 << EERIE);
}

int main(void) {
    eeprom_read_block(&read, &kept, sizeof read);
    GPIOR0 = read.cells[5];
    GPIOR0 = eeprom_read_byte(&count);
    read.offset++;
    read.cells[0] = 0x40;
    GPIOR1 = 1;
    eeprom_update_block(&read, &kept, sizeof read);
    eeprom_write_byte(&count, 8);
    GPIOR1 = 2;
    eeprom_busy_wait();
    GPIOR1 = 3;
    GPIOR0 = eeprom_read_byte(&count);
    GPIOR0 = eeprom_read_word(&kept.offset) & 0xff;
    eeprom_write_byte(&count, 9);
    sei();
    EECR |= 1 << EERIE;
    while (!ready)
        ;
    GPIOR1 = 4;
    for (;;)
        ;
}
