; Shifts a byte out to the status register, eight bits for each of the two bytes that are sent.
    .text
    .global shift_out
    .type shift_out, @function
shift_out:
    ldi r25, 8              ; first
1:  lsl r24                 ; bit
    brcc 2f
    sbi 0x05, 0
    rjmp 3f
2:  cbi 0x05, 0
    nop
3:  sbi 0x05, 1             ; clock
    cbi 0x05, 1
    dec r25
    brne 1b                 ; last
    ret
    .size shift_out, . - shift_out
