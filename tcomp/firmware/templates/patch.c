/* Straight line from one entry of a patch to the next, an entry being ${entry_units} units of the value; part: 2^-16 of the way.
 * The product is taken 2^31 higher, so that all is unsigned: C leaves >> of negatives open. */
static uint${value_bits}_t ${symbol}_patch(uint16_t knot, uint16_t part)
{
    const int${entry_bits}_t below = ${below};
    const int${entry_bits}_t above = ${above};
    const int32_t rise = (int32_t)above - (int32_t)below;
    const uint32_t climb = (uint32_t)(rise * (int32_t)part) + UINT32_C(${lifted_half});

    return (uint${value_bits}_t)((uint32_t)((int32_t)below * INT32_C(${entry_units})) + (climb >> ${patch_bits}u) - UINT32_C(${lift}));
}

