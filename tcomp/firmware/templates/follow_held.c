
/* What leads beyond the range is held at its ends. */
static uint32_t ${symbol}_follow_held(uint32_t along)
{
    if (along > UINT32_C(${top})) {
        along = ((along >> 31u) != 0u) ? 0u : UINT32_C(${top});
    }
    return along;
}
