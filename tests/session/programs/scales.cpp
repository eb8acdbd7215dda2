// C++ of every kind: members, overloads, templates, virtual functions, lambdas, constructors.
#include <avr/io.h>
#include <stdint.h>

namespace hive {
class Scale {
public:
    explicit Scale(int16_t offset) : offset_(offset), gain_(2) {}
    Scale(int16_t offset, uint8_t gain) : offset_(offset), gain_(gain) {}
    int16_t read(uint8_t raw) const;
    void tare(int16_t now) { offset_ = now; }
    int16_t offset() const { return offset_; }
    static uint8_t count;
private:
    int16_t offset_;
    uint8_t gain_;
    int16_t secret(uint8_t by) { return offset_ + by; }
};
uint8_t Scale::count = 3;
int16_t Scale::read(uint8_t raw) const { return raw * gain_ - offset_; }
}

hive::Scale hive_scale(5, 3);

int add(int a, int b) { return a + b; }
float add(float a, float b) { return a + b; }
uint8_t add(uint8_t a) { return a + 1; }

template <typename T> T average(T a, T b) { return (a + b) / 2; }
template <typename T, uint8_t N> struct Ring {
    T items[N];
    uint8_t at;
    T push(T item) { items[at] = item; at = (at + 1) % N; return items[at]; }
};
Ring<uint16_t, 4> ring;
uint16_t use_ring(uint16_t x) { return ring.push(x); }
int use_average(int a) { return average<int>(a, 3); }

struct Sensor {
    virtual uint8_t read(uint8_t channel) = 0;
    virtual uint8_t kind() { return 1; }
    uint8_t base;
};
struct Humidity : Sensor {
    uint8_t read(uint8_t channel) override { return base + channel; }
};
struct Temperature : Sensor {
    uint8_t read(uint8_t channel) override { return base - channel; }
    uint8_t kind() override { return 2; }
};
extern "C" void __cxa_pure_virtual() { for (;;); }
Humidity humidity;
Temperature temperature;
uint8_t poll(Sensor &sensor, uint8_t channel) { return sensor.read(channel); }

uint8_t twice(uint8_t x)
{
    auto doubled = [](uint8_t y) -> uint8_t { return y + y; };
    return doubled(x) + 1;
}
static uint8_t hidden(uint8_t x) { return x ^ 3; }

struct Tare {
    uint8_t by;
    uint8_t operator()(uint8_t raw) const { return raw - by; }
    Tare &operator+=(uint8_t more) { by += more; return *this; }
    operator bool() const { return by; }
    ~Tare() { channels--; }
    static uint8_t channels;
};
uint8_t Tare::channels = 4;

#ifdef RUNS
volatile uint8_t channel, result;
int main()
{
    for (;;) {
        result = hive_scale.read(channel);
        result = poll(humidity, channel) + poll(temperature, channel);
        result = use_ring(channel) + use_average(channel) + twice(channel) + add(channel) + add(channel, result);
    }
}
#endif
