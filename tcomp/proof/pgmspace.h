/* Stands in for <avr/pgmspace.h> where the lines for AVR are built for another machine: flash is its memory. */
#ifndef PGMSPACE_H
#define PGMSPACE_H

#include <stdint.h>

#define PROGMEM
#define pgm_read_byte(place) (*(const uint8_t *)(place))
#define pgm_read_word(place) (*(const uint16_t *)(place))
#define pgm_read_dword(place) (*(const uint32_t *)(place))

static inline void *memcpy_P(void *to, const void *from, unsigned int bytes)
{
    unsigned int place;

    for (place = 0u; place < bytes; place++) {
        ((uint8_t *)to)[place] = ((const uint8_t *)from)[place];
    }
    return to;
}

#endif
