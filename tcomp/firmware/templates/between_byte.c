/* Straight line from one entry to the next, nearest integer, ties upwards; part: 2^-8 of the way.
 * No two neighbours are 32768 apart. All is taken modulo 2^16: C leaves >> of negatives open. */
#if defined(__AVR__)
/* A multiplier of 8 by 8 bits: the lower byte of the rise times the part, rounded, and the upper byte too. */
static int16_t ${symbol}_between(unsigned int knot, uint8_t part)
{
    union {
        uint8_t bits;
        int8_t value;
    } upper;
    uint16_t below;
    uint16_t above;
    uint16_t rise;
    uint8_t lower;

${part_register}    ${symbol}_pair(knot, part, &below, &above);
    rise = (uint16_t)(above - below);
    lower = (uint8_t)((uint16_t)((uint16_t)((uint16_t)(uint8_t)rise * (uint16_t)part) + 128u) >> 8u);
    upper.bits = (uint8_t)(rise >> 8u);
    below = (uint16_t)(below + lower);
    return ${symbol}_value((uint16_t)(below + (uint16_t)((int16_t)upper.value * (int16_t)part)));
}
#else
static int16_t ${symbol}_between(unsigned int knot, uint8_t part)
{
    const int16_t *const at = &${symbol}_entries[knot];
    const uint16_t below = (uint16_t)at[0];
    const uint16_t above = (uint16_t)at[${next}];
    const int16_t rise = ${symbol}_value((uint16_t)(above - below));
    const uint32_t product = (uint32_t)((int32_t)rise * (int32_t)part) + 128u;

    return ${symbol}_value((uint16_t)(below + (uint16_t)(product >> 8u)));
}
#endif

