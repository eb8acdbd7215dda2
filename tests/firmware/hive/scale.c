#include "frame.h"
#include <avr/io.h>
#include <math.h>
#include <stdarg.h>

static __attribute__((noinline)) uint16_t limited(uint16_t value)
{
    return value > 50 ? 50 : value;
}

__attribute__((noinline)) static uint8_t outside(uint8_t (*step)(uint8_t, uint8_t), uint8_t byte)
{
    return step(0, byte);
}

long scaled(int16_t reading, ...)
{
    va_list more;
    va_start(more, reading);
    int factor = va_arg(more, int);
    va_end(more);
    float kilograms = sin(reading * 0.125) * factor + 1.5;
    return (long)kilograms + limited(reading) + outside(crc8_step, PINB);
}
