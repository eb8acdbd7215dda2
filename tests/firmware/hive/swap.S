; A typed function, one that is only a label, and a table: what hand-written assembly looks like.
        .section .text.swapped,"ax",@progbits
        .global swapped
        .type swapped, @function
swapped:
        swap r24
        ret
        .size swapped, . - swapped

        .text
        .global doubled
doubled:
        ldi r25, 1
again:  lsl r24
        dec r25
        brne again
        clr r25
        ret

        .global after_doubled
after_doubled:
        .word 0x1234
