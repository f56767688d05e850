/* Straight line from one entry to the next, nearest integer, ties upwards; part: 2^-16 of the way.
 * No two neighbours are 32768 apart, so one product of 32 bits does; the line is its upper half, taken
 * modulo 2^16: C leaves >> of negatives open. */
static int16_t ${symbol}_between(uint16_t knot, uint16_t part)
{
    const int${entry_bits}_t below = ${symbol}_entries[knot];
    const int${entry_bits}_t above = ${above};
    const int rise = above - below;
    const uint32_t product = (uint32_t)((int32_t)rise * (int32_t)part) + UINT32_C(32768);

    return ${symbol}_value((uint16_t)((uint16_t)below + (uint16_t)(product >> 16u)));
}

