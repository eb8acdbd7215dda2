/* Constants kept in flash, so that they take no RAM; on any other machine they are ordinary constants. */
#ifndef FLASH_H
#define FLASH_H

#ifdef __AVR__
#include <avr/pgmspace.h>
#else
#define PROGMEM
#define pgm_read_byte(address) (*(address))
#endif

#endif
