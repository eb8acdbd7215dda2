// A function that receives references.
#include <stdint.h>

struct pair {
    int16_t a, b;
};

extern "C" {
void log_bytes(const void *from, uint8_t n);

void refers(int16_t &number, const pair &both, const uint8_t (&three)[3])
{
    log_bytes(&number, 2);
    log_bytes(&both, 4);
    log_bytes(three, 3);
    number++;
}
}
