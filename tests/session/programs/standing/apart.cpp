// Sensors of a beehive as classes and templates.
#include <avr/io.h>
#include <stdint.h>

#define NOINLINE __attribute__((noinline))

volatile uint8_t port, seed;
volatile uint16_t grams;

namespace hive {

class Sensor {
  public:
    Sensor(uint8_t channel, uint8_t gain) : channel_(channel), gain_(gain + seed) {}
    NOINLINE uint16_t read() const { return (uint16_t)channel_ * gain_ + seed; }
    uint8_t channel() const { return channel_ ^ seed; }
    NOINLINE static uint8_t count(uint8_t bees) { return bees + 1; }
    NOINLINE void tare(uint8_t offset);

  private:
    uint8_t channel_, gain_;
};

void Sensor::tare(uint8_t offset)
{
    gain_ = gain_ - offset;
}

NOINLINE uint8_t scale(uint8_t raw) { return raw + 3; }
NOINLINE uint16_t scale(uint16_t raw) { return raw * 3; }
static uint8_t offset(uint8_t raw) { return (raw << 3) + seed; }

template <typename Count> NOINLINE Count doubled(Count value) { return value + value; }
template <typename Count> static inline Count halved(Count value) { return (value + seed) >> 1; }

struct Gate {
    virtual uint8_t open(uint8_t how) = 0;
};
struct Slide : Gate {
    uint8_t open(uint8_t how) override { return how + 1; }
};
struct Flap : Gate {
    uint8_t open(uint8_t how) override { return how ^ 0x55; }
};

}  // namespace hive

hive::Slide slide;
hive::Flap flap;
hive::Gate *volatile gate = &slide;

extern "C" void __cxa_pure_virtual() { for (;;); }

int main()
{
    hive::Sensor sensor(seed, 4);
    for (uint8_t turn = 0; turn < 3; turn++) {
        grams = sensor.read();
        port = sensor.channel();
        port = hive::Sensor::count(turn);
        sensor.tare(turn);
        port = hive::scale(turn);
        grams = hive::scale((uint16_t)grams);
        port = hive::offset(turn);
        port = hive::doubled(turn);
        grams = hive::doubled((uint16_t)grams);
        port = hive::halved(turn);
        port = gate->open(turn);
        gate = turn & 1 ? (hive::Gate *)&slide : (hive::Gate *)&flap;
        auto twice = [&](uint8_t value) { return (uint8_t)(value * 2 + seed); };
        port = twice(turn);
    }
    for (;;)
        ;
}
