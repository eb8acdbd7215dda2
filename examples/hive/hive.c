/* A monitor for beehives, on an ATmega328P at 16 MHz: takes the frames that the hives send and prints each reading.
 *
 * So that it runs without a single bee, the frames are recorded ones: a morning in May, one of them spoilt on its way.
 * After each pass over them it prints a line that begins with OK where exactly the spoilt one was refused.
 */
#include <avr/pgmspace.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#include "frame.h"
#include "serial.h"

#define SPOILT_FRAMES 1

static const uint8_t recorded[][FRAME_BYTES] PROGMEM = {
    {0x01, 0x74, 0xBD, 0x95, 0x3F, 0x0E, 0x8B, 0x95, 0x11, 0x13, 0x12, 0x6D},
    {0x02, 0x75, 0x70, 0x9E, 0x76, 0x0D, 0x79, 0x6F, 0x17, 0x8C, 0x19, 0x31},
    {0x03, 0x6F, 0xE8, 0xC5, 0xA1, 0x08, 0xA0, 0xB6, 0x04, 0x03, 0x03, 0x05},
    {0x01, 0x74, 0xE8, 0x93, 0xF7, 0x0E, 0x9B, 0x2C, 0x1A, 0x1F, 0x1D, 0xF6}, /* one bit of the weight is wrong */
    {0x02, 0x75, 0x8F, 0x9C, 0xAB, 0x0D, 0x78, 0xDC, 0xE7, 0xE4, 0xEB, 0x33},
    {0x04, 0x35, 0x42, 0xEE, 0x14, 0x01, 0x47, 0xF1, 0x00, 0x00, 0x00, 0x49},
};

#define RECORDED_FRAMES (sizeof recorded / sizeof recorded[0])

static void print_reading(const struct reading *reading)
{
    serial_text(PSTR("hive "));
    serial_decimal(reading->hive, 0);
    serial_text(PSTR(": "));
    serial_decimal(reading->temperature_centi, 2);
    serial_text(PSTR(" C, "));
    serial_decimal(reading->humidity_permille, 1);
    serial_text(PSTR(" %, "));
    serial_decimal(reading->weight_grams, 3);
    serial_text(PSTR(" kg, "));
    serial_decimal(reading->bees, 0);
    serial_text(PSTR(" bees\n"));
}

/* Gives how many of the recorded frames were refused. */
static uint8_t pass(void)
{
    uint8_t refused = 0;

    for (uint8_t i = 0; i < RECORDED_FRAMES; i++) {
        uint8_t frame[FRAME_BYTES];
        struct reading reading;

        memcpy_P(frame, recorded[i], FRAME_BYTES);
        if (frame_read(frame, &reading)) {
            print_reading(&reading);
        } else {
            serial_text(PSTR("frame refused\n"));
            refused++;
        }
    }
    return refused;
}

int main(void)
{
    serial_begin();
    for (;;) {
        uint8_t refused = pass();

        serial_text(refused == SPOILT_FRAMES ? PSTR("OK: ") : PSTR("WRONG: "));
        serial_decimal(RECORDED_FRAMES - refused, 0);
        serial_text(PSTR(" of "));
        serial_decimal(RECORDED_FRAMES, 0);
        serial_text(PSTR(" frames\n"));
    }
}
