
/* wanted * y / (1 + y) from the share; what it is too small by, 0 or 1, is seen in the remainder. */
uint32_t ${symbol}_tuning_word(uint32_t wanted, int32_t offset_ppt)
{
    const uint32_t slow = ${symbol}_sign((uint32_t)offset_ppt);
    const uint32_t size = ${symbol}_size(offset_ppt, slow);
    const uint32_t share = ${symbol}_share(size, slow);
    uint32_t change = (${symbol}_high(${symbol}_product(wanted, share)) + 114u) >> 8u;
    const ${symbol}_wide along = ${symbol}_product(wanted - ((change ^ slow) - slow), size);
    uint32_t word;

    change += ${symbol}_is_short(along, size, slow, change);
    if (slow == 0u) {
        return wanted - change;
    }
    word = wanted + change;
    return (word < wanted) ? UINT32_MAX : word;
}
