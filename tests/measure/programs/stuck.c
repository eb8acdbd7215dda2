/* Functions of a hive monitor that wait for devices which have nothing to say. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

uint16_t weight(void) {
    ADCSRA |= 1 << ADSC;
    while (ADCSRA & (1 << ADSC))
        ;
    return ADC;
}

uint16_t weight_later(void) {
    ADCSRA = 1 << ADEN;
    while (!(ADCSRA & (1 << ADIF)))
        ;
    return ADC;
}

void dark(void) {
    while (!(ACSR & (1 << ACO)))
        ;
}

void hangs(void) {
    wdt_enable(WDTO_15MS);
    for (;;)
        ;
}

void naps(void) {
    set_sleep_mode(SLEEP_MODE_PWR_DOWN);
    sei();
    sleep_mode();
}

void naps_deaf(void) {
    set_sleep_mode(SLEEP_MODE_PWR_DOWN);
    TIMSK0 = 1 << TOIE0;
    TCCR0B = 1;
    sei();
    sleep_mode();
}

uint8_t stores(uint8_t value) {
    eeprom_write_byte((uint8_t *)4, value);
    return eeprom_read_byte((uint8_t *)4);
}

uint16_t EEMEM zero = 0x1234;
uint8_t EEMEM cells[4] = {5, 6, 7, 8};

uint16_t tares(uint8_t cell) {
    return eeprom_read_word(&zero) + eeprom_read_byte(&cells[cell]);
}

int main(void) {
    for (;;)
        ;
}
