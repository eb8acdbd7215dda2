// What a call depends on besides its arguments: globals, members, statics, registers, pins.
#include <avr/io.h>
#include <avr/pgmspace.h>

struct calibration {
    uint8_t gain;
    int16_t offset;
    uint8_t filter : 3;
    uint8_t channel : 5;
    uint16_t table[3];
};

struct calibration cell = {2, -5, 1, 9, {100, 200, 300}};
uint8_t mode = 1;
float factor = 1.5;
uint8_t frames[2][3] = {{1, 2, 3}, {4, 5, 6}};
const char *label = "drone";
const uint8_t limits[2] PROGMEM = {3, 4};
static uint16_t turns = 1;

// Its time depends on a global: one turn of the loop for each step of mode.
uint8_t wait_by_mode(void) {
    uint8_t done = 0;
    for (uint8_t n = mode; n; n--) {
        __asm__ volatile("");
        done++;
    }
    return done;
}

int16_t weigh(uint8_t raw) { return raw * cell.gain + cell.offset; }
uint16_t filtered(uint8_t n) { return cell.table[n] + 1000 * cell.filter + cell.channel; }
float grams(uint8_t raw) { return raw * factor; }
uint8_t frame_byte(uint8_t n) { return frames[1][n]; }
char letter(uint8_t n) { return label[n]; }
uint16_t turned(void) { return turns += mode; }
uint8_t doors(void) { return PINB; }
uint8_t one_door(void) { return PINB & _BV(PB3) ? 1 : 0; }
uint16_t ticks(void) { return TCNT1; }
uint8_t voltage(void) { return GPIOR0; }
void make_outputs(void) { DDRB = 0x0F; PORTB = 0x05; }
void set_mode(uint8_t chosen) { mode = chosen; }
