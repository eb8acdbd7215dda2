; A function timed by the program itself: what the running 16-bit timer counts from one reading to the next. Between
; them lie the LDS of the high byte (2), the call, and the LDS that reads again (2).
#include <avr/io.h>

.macro timed name
    .global timed_\name
    .type timed_\name, @function
timed_\name:
    push r16
    push r17
    lds r16, TCNT1L
    lds r17, TCNT1H
    call \name
    lds r24, TCNT1L
    lds r25, TCNT1H
    sub r24, r16
    sbc r25, r17
    pop r17
    pop r16
    ret
    .size timed_\name, . - timed_\name
.endm

    .text
    timed straight
    timed tail_far
    timed shared_second
    timed counts_down
    timed crc8_step
    timed mean_weight
    timed tail_weight
    timed recovers
    timed sorted_middle
