/* little_endian.h
 *
 * Numbers in bytes, the low byte first, whatever the machine's own order.
 */
#ifndef LITTLE_ENDIAN_H
#define LITTLE_ENDIAN_H

#include <stdint.h>

static inline uint32_t get_word(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | ((uint32_t)bytes[1] << 8u) | ((uint32_t)bytes[2] << 16u) | ((uint32_t)bytes[3] << 24u);
}

/* Without a conversion that C leaves open. */
static inline int32_t get_signed(const uint8_t *bytes)
{
    const uint32_t bits = get_word(bytes);

    return (bits <= (uint32_t)INT32_MAX) ? (int32_t)bits : (-(int32_t)(~bits) - 1);
}

static inline void put_word(uint8_t *bytes, uint32_t word)
{
    uint8_t place;

    for (place = 0u; place < 4u; place++) {
        bytes[place] = (uint8_t)((word >> (8u * place)) & 0xFFu);
    }
}

#endif
