#include <avr/io.h>
#include <stdint.h>

namespace hive {
enum class Colour : uint8_t { red, green };

class Device {
public:
    virtual int16_t read() const = 0;
    uint8_t pin;
};

class Sensor : public Device {
public:
    Sensor(uint8_t number);
    int16_t read() const;
    int16_t mean(const int16_t &other, Colour colour);
    static uint8_t count;
    struct Last {
        int16_t value;
    } last;
};

uint8_t Sensor::count = 3;

__attribute__((noinline)) Sensor::Sensor(uint8_t number)
{
    pin = number;
    count++;
}

int16_t Sensor::read() const
{
    return last.value + PINB;
}

__attribute__((noinline)) int16_t Sensor::mean(const int16_t &other, Colour colour)
{
    return colour == Colour::red ? (last.value + other) / 2 : other;
}

template <typename T> __attribute__((noinline)) T median(T a, T b, T c)
{
    return a < b ? (b < c ? b : a < c ? c : a) : (a < c ? a : b < c ? c : b);
}
}

bool ready;

static uint8_t once(uint8_t byte, bool twice)
{
    return twice ? byte << 2 : byte << 1;
}

extern "C" uint16_t tripled(uint16_t value)
{
    return value * 3;
}

int main()
{
    hive::Sensor sensor(3);
    int16_t other = PINC;
    ready = sensor.mean(other, hive::Colour::green) > 3;
    PORTB = hive::median<uint8_t>(PINB, PINC, PIND);
    PORTC = hive::median<int16_t>(PINB, sensor.read(), PIND);
    PORTD = tripled(once(PIND, PINB & 1));
    hive::Device *device = &sensor;
    PORTB = device->read();
    for (;;)
        ;
}
