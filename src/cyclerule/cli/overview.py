"""What `cyclerule --help` prints. It stands apart so that it can be printed without loading anything else."""

COMMANDS = {
    "time": "How many clock cycles a function takes, for one input or many.",
    "run": "The whole program from reset: start, passes, handlers, serial text.",
    "parts": "The microcontrollers that the toolchain can build for.",
    "completion": "The script for completion in bash, zsh or fish.",
}
"""Every command and what it does; each has its file, which loads when it is used."""

OVERVIEW = """\
Usage: cyclerule FILE…
       cyclerule COMMAND …

Say how many clock cycles functions of AVR firmware take: exactly, for every
input.

  cyclerule FILE…                                 the functions of a program
  cyclerule time FILE… FUNCTION [NAME=DOMAIN …]   the cycles of one of them
  cyclerule time FILE…:41-48                      the cycles of those lines
  cyclerule time --code 'STATEMENTS' [FILE…]      the cycles of statements
  cyclerule run FILE… [--for 20ms]                the whole program from reset
  cyclerule parts [WORD]                          the microcontrollers there are
  cyclerule completion bash|zsh|fish              completion for your shell

FILE… are C, C++ or assembly sources, built with avr-gcc, or one ELF or HEX
file. They need not have a main. Without files, those that cyclerule.toml names
are taken.

Examples:
  cyclerule hive.c --part atmega328p --clock 16MHz
  cyclerule time hive.c crc8_step --part atmega328p --clock 16MHz
  cyclerule time hive.c crc8_step crc=0 byte=0..255 --part atmega328p

Options:
  -h, --help      Show this and stop; behind a command, all that it takes.
  --version       Print the version; with -v those of the tools too.

Settings can also stand in cyclerule.toml (part, clock, optimize, flags,
defines, sources) or in the environment (CYCLERULE_PART, CYCLERULE_CLOCK,
CYCLERULE_OPTIMIZE, CYCLERULE_TOOLCHAIN).

Exit status: 0 done, 2 the command was wrong, 3 the build failed, 4 not decided,
130 interrupted.
"""
