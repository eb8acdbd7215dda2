/* A recursion with so many values alive that -mcall-prologues shares the code that saves registers. */
#include <stdint.h>

volatile uint32_t grams;

__attribute__((noinline)) uint32_t nest(uint8_t depth, uint32_t one, uint32_t other)
{
    volatile uint8_t frame[4] = {depth};
    if (frame[0] == 0)
        return one + grams;
    uint32_t left = nest(depth - 1, other, one + 1); /* recursion */
    grams = left;                                    /* after recursion */
    return left + nest(depth - 1, one ^ left, other + left);
}

int main(void)
{
    grams = nest(3, 5, 9);
    for (;;)
        ;
}
