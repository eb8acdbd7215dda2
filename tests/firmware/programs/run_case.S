; void run_case(uint16_t stack_pointer, uint16_t function): calls a function with that stack pointer and with r0 to r29
; as `registers` says, and keeps r18 to r25 in `results` after its return.
.global run_case
run_case:
    .irp n, 2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,28,29
    push r\n
    .endr
    in r18, 0x3d
    in r19, 0x3e
    sts own_stack, r18
    sts own_stack + 1, r19
    out 0x3e, r25
    out 0x3d, r24
    movw r30, r22
    .irp n, 0,1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23,24,25,26,27,28,29
    lds r\n, registers + \n
    .endr
    icall
    .irp n, 18,19,20,21,22,23,24,25
    sts results + \n - 18, r\n
    .endr
    lds r18, own_stack
    lds r19, own_stack + 1
    out 0x3e, r19
    out 0x3d, r18
    .irp n, 29,28,17,16,15,14,13,12,11,10,9,8,7,6,5,4,3,2
    pop r\n
    .endr
    clr r1
    ret
.lcomm own_stack, 2
