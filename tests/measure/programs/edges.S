; Functions whose cycles follow from the instruction manual alone, and some that do not come back as they should.
#include <avr/io.h>

.macro function name
    .global \name
    .type \name, @function
\name:
.endm

.macro end name
    .size \name, . - \name
.endm

    .text

function straight
    nop
    nop
    ret
end straight

function tail_jump
    nop
    rjmp straight
end tail_jump

#ifdef __AVR_HAVE_JMP_CALL__
function tail_far
    jmp straight
end tail_far

function calls_far
    call straight
    ret
end calls_far
#endif

function calls_near
    rcall only_near
    ret
end calls_near

function only_near
    ret
end only_near

; Two entries, one end: the registers come back from the tail that both share.
function shared_first
    push r28
    ldi r24, 1
    rjmp shared_end
end shared_first

function shared_second
    push r28
    ldi r24, 2
    nop
shared_end:
    pop r28
    ret
end shared_second

; uint8_t counts_down(uint8_t depth): calls itself until depth is 0.
function counts_down
    tst r24
    breq 1f
    dec r24
    rcall counts_down
1:  ret
end counts_down

; Takes its own return address from the stack and goes back to its caller's caller.
function leaves_past_caller
    pop r0
    pop r0
    ret
end leaves_past_caller

; Leaves a byte of its own on the stack and comes back all the same: to where the return address is copied.
function keeps_a_byte
    pop r25
    pop r24
    push r24
    push r24
    push r25
    ret
end keeps_a_byte

function jumps_to_null
    ldi r30, 0
    ldi r31, 0
    ijmp
end jumps_to_null

function jumps_into_erased_flash
    ldi r30, 0x00
    ldi r31, 0x0c
    ijmp
end jumps_into_erased_flash

function stores_beyond_ram
    ldi r24, 0x55
    sts RAMEND + 1, r24
    ret
end stores_beyond_ram

; Depends on two registers that no argument is in: r5, which it reads, and r6, which it only saves.
function reads_r5
    push r6
    mov r24, r5
    clr r6
    pop r6
    ret
end reads_r5

function sets_port_pin_and_count
    sbi _SFR_IO_ADDR(PORTB), 3
    nop
    ldi r24, 0x21
    out _SFR_IO_ADDR(DDRB), r24
    ret
end sets_port_pin_and_count

function stops_at_break
    nop
    .word 0x9598
    ret
end stops_at_break
