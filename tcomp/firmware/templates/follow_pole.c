
/* Moves by a part of its way to a target, in 2^-16, and carries what is less than one for the next time.
 * All is taken modulo 2^32, half of which stands for zero: C leaves >> of negatives open. */
static uint32_t ${symbol}_follow_pole(uint32_t fine, uint16_t *rest, uint32_t target, uint16_t part)
{
    const uint32_t moved = ((target - fine) * part) + *rest + UINT32_C(0x80000000);

    *rest = (uint16_t)(moved & 0xFFFFu);
    return fine + (moved >> 16u) - 0x8000u;
}
