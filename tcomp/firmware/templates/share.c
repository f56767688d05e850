
/* |y| / (1 + y) in units of 2^-40, never too large, and too small by 26 at most: |y| -+ y^2 + |y|^3, and a
 * little for the powers that follow. The remainder shows what is missing. */
static uint32_t ${symbol}_share(uint32_t size, uint32_t slow)
{
    const uint32_t y = size + ${symbol}_high(${symbol}_product(size, UINT32_C(0x197997F2)));
    const uint16_t top = (uint16_t)(y >> 16u);
    const uint16_t rest = (uint16_t)(y & 0xFFFFu);
    const uint32_t square = (uint32_t)top * top + ((((uint32_t)top * rest) >> 16u) << 1u);
    uint32_t second;
    uint16_t third;

    if (slow != 0u) {
        second = square >> 8u;
        third = (uint16_t)(((uint32_t)(uint16_t)(second >> 8u) * top) >> 16u);
        return y + second + (uint16_t)(third + (uint16_t)(third >> 9u));
    }
    second = (square + 255u + (rest >> 8u)) >> 8u;
    third = (uint16_t)(((uint32_t)(uint16_t)(second >> 8u) * top) >> 16u);
    return (y - second) + third - (uint16_t)((uint16_t)(5u * third + 2047u) >> 11u);
}

/* 1 where a change is too small by 1, else 0: what is left, less the change times 10^12, is held against half
 * of 10^12 + offset_ppt. */
${upper}_CALLED uint32_t ${symbol}_is_short(${symbol}_wide left, uint32_t size, uint32_t slow, uint32_t change)
{
    const ${symbol}_wide half = ${symbol}_joined(0u, size >> 1u);
    const ${symbol}_wide least = (slow != 0u)
        ? ${symbol}_difference(${symbol}_joined(0x74u, UINT32_C(0x6A528800)), half)
        : ${symbol}_sum(${symbol}_joined(0x74u, UINT32_C(0x6A528801)), half);
    const uint32_t bits = ${symbol}_without_12(${symbol}_difference(left, least));

    return (((bits - change * ${upper}_FIVE_TO_12) & UINT32_C(0x80000000)) == 0u) ? 1u : 0u;
}
