/* A result of every kind that a sweep has to put into an array. */
#include <stdbool.h>
#include <stdint.h>

enum level { LOW = -1, MIDDLE = 300 };
struct pair { uint8_t first; uint16_t second; };
struct reading { uint8_t data[10]; };

bool is_odd(uint8_t n) { return n & 1; }
int8_t minus(int8_t n) { return -n; }
uint16_t squared(uint8_t n) { return n * n; }
__uint24 cubed(uint8_t n) { return (__uint24)n * n * n; }
int32_t wide(int16_t n) { return -100000L * n; }
uint64_t widest(uint8_t n) { return 0xFFFFFFFFFFFFFF00ULL + n; }
float halved(uint8_t n) { return n * 0.5f; }
enum level level_of(uint8_t n) { return n ? MIDDLE : LOW; }
struct pair paired(uint8_t n) { struct pair p = {n, 0x100 + n}; return p; }
struct reading read_all(uint8_t n) { struct reading r; for (uint8_t i = 0; i < 10; ++i) r.data[i] = n + i; return r; }
uint8_t *pointed(uint8_t n) { return (uint8_t *)0x100 + n; }
void nothing(uint8_t n) { (void)n; }
uint8_t no_arguments(void) { return 9; }
uint16_t mixed(uint8_t a, uint16_t b, uint8_t c) { return 100 * a + 10 * b + c; }
void delays(uint8_t n) { for (uint16_t turns = 4 * n; turns; --turns) for (volatile uint8_t i = 255; i; --i) { } }
uint8_t slower(uint8_t n) { uint8_t s = 0; for (uint8_t i = n & 3; i; --i) s += i; return s; }
uint16_t sum_of(const uint8_t *data, uint8_t count) { uint16_t s = 0; while (count--) s += *data++; return s; }
uint8_t first_of(struct pair p) { return p.first; }
uint8_t clash(uint8_t name, uint8_t keep) { return name + keep; }
uint8_t unnamed(uint8_t, uint8_t);
uint8_t unnamed(uint8_t a, uint8_t b) { return a - b; }
float scaled(float x) { return x * 3; }
