// A sensor in C++: methods, overloads, a template, references.
#include <stdint.h>

namespace hive
{
class Sensor
{
public:
    int16_t offset;
    __attribute__((noinline)) int16_t read(int16_t raw) const;
};

int16_t Sensor::read(int16_t raw) const
{
    return raw + offset;
}

__attribute__((noinline)) int16_t scale(int16_t raw)
{
    return raw * 2;
}

__attribute__((noinline)) float scale(float raw, uint8_t by)
{
    return raw * by;
}

__attribute__((noinline)) void clamp(int16_t &value, int16_t most)
{
    if (value > most)
        value = most;
}

template <typename T> __attribute__((noinline)) T larger(T a, T b)
{
    return a > b ? a : b;
}
} // namespace hive

hive::Sensor sensor = {5};
volatile int16_t result;

extern "C" uint8_t plain(uint8_t n)
{
    return n + 1;
}

int main()
{
    int16_t value = sensor.read(result);

    hive::clamp(value, 100);
    result = hive::scale(value) + hive::scale(1.5f, value) + hive::larger<int16_t>(value, 3) + hive::larger<uint8_t>(value, 3);
    for (;;) {
    }
}
