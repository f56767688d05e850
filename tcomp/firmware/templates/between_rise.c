/* Straight line from one entry to the next, nearest integer, ties upwards; part: 2^-16 of the way.
 * No two neighbours are 32768 apart, so one product of 32 bits does; the line is its upper half, taken
 * modulo 2^16: C leaves >> of negatives open. */
static int16_t ${symbol}_between(unsigned int knot, uint16_t part)
{
#if defined(__AVR__)
    const int${entry_bits}_t below = ${below};
    const int${entry_bits}_t above = ${above};
    const int rise = above - below;
    const uint32_t product = (uint32_t)((int32_t)rise * (int32_t)part);
    const uint16_t climb = (uint16_t)((product + UINT32_C(32768)) >> 16u);
#else
    /* The same, rounded without a constant that takes a register; a byte is no free shift here. */
    const int${entry_bits}_t *const at = &${symbol}_entries[knot];
    const uint16_t below = (uint16_t)at[0];
    const int16_t rise = ${symbol}_value((uint16_t)((uint16_t)at[${next}] - below));
    const uint32_t product = (uint32_t)((int32_t)rise * (int32_t)part);
    const uint16_t climb = (uint16_t)(((product >> 15u) + 1u) >> 1u);
#endif

    return ${symbol}_value((uint16_t)((uint16_t)below + climb));
}

