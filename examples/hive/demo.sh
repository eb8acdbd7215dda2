#!/bin/sh
# What `make demo` shows; each line that begins with $ can be typed as it stands.
set -eu
cd "$(dirname "$0")"

show() {
    printf '\n$ %s\n' "$*"
    "$@"
}

board="--part atmega328p --clock 16MHz"

# shellcheck disable=SC2086  # $board is several words
{
    show cyclerule crc.c climate.c median.c frame.c scale.c status.c $board
    for way in bits nibbles table ram_table; do
        show cyclerule time crc.c crc8_step_$way crc=every byte=every $board
    done
    show cyclerule run hive.c serial.c frame.c crc.c climate.c median.c --until serial:OK --calls frame_read $board
    show cyclerule run ../entrance/entrance.c $board
    show cyclerule time ../entrance/entrance.c percent_in in=300 out=200 --interrupts $board
}
