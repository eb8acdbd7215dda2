; `record_call` sends what a called function finds: r0 to r31, then STACK bytes from above the stack pointer on.
; `record_result` sends what a function left: r0 to r31, then RESULT bytes of `area`.
#define SP_LOW 0x3d
#define SP_HIGH 0x3e
#define UCSR0A 0xC0
#define UCSR0B 0xC1
#define UDR0 0xC6
.text
send:                       ; r24
    lds r25, UCSR0A
    sbrs r25, 5             ; data register empty
    rjmp send
    sts UDR0, r24
    ret
send_memory:                ; X from, r18 how many
    ld r24, X+
    rcall send
    dec r18
    brne send_memory
    ret
save:
    .irp n, 0,1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23,24,25,26,27,28,29,30,31
    sts registers + \n, r\n
    .endr
    ret
send_registers:
    ldi r26, lo8(registers)
    ldi r27, hi8(registers)
    ldi r18, 32
    rjmp send_memory
.global record_call
record_call:
    rcall save
    rcall send_registers
    in r26, SP_LOW
    in r27, SP_HIGH
    adiw r26, 1
    ldi r18, STACK
    rjmp send_memory
.global record_result
record_result:
    rcall save
    rcall send_registers
    ldi r26, lo8(area)
    ldi r27, hi8(area)
    ldi r18, RESULT
    rjmp send_memory
.global start_recording
start_recording:
    ldi r24, 8              ; transmitter on
    sts UCSR0B, r24
    ret
.lcomm registers, 32
.comm area, RESULT
