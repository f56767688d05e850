
/* The middle of a play, which the temperature drags along. */
static uint16_t ${symbol}_follow_dragged(uint16_t slot, uint32_t place)
{
    if (((uint32_t)slot + ${half}u) < place) {
        return (uint16_t)((place - ${half}u) & 0xFFFFu);
    }
    if (slot > (place + ${half}u)) {
        return (uint16_t)((place + ${half}u) & 0xFFFFu);
    }
    return slot;
}

/* What the loop adds at a position in its play, in 2^-8 ppt and then in ppt, to nearest. */
static uint32_t ${symbol}_follow_loop(uint32_t position, uint32_t weight)
{
    return (((position * weight) + UINT32_C(0x80000080)) >> 8u) - UINT32_C(0x00800000);
}
