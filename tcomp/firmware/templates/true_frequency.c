
/* shown * y is divided by 10^12 in two digits of 2^24, each by one product with a reciprocal. What the second
 * is too small by, 0 or 1, is seen in the remainder. */
int64_t ${symbol}_true_frequency(int64_t shown, int32_t offset_ppt)
{
    const uint32_t sign = ${symbol}_sign(${symbol}_high(${symbol}_bits(shown)));
    const uint32_t slow = ${symbol}_sign((uint32_t)offset_ppt);
    const uint32_t size = ${symbol}_size(offset_ppt, slow);
    const ${symbol}_wide magnitude = ${symbol}_turned(${symbol}_bits(shown), sign);
    /* Half of 10^12 with it, so that the nearest is the one below; a tie is taken away from zero. */
    const ${symbol}_wide lower = ${symbol}_sum(${symbol}_product(${symbol}_low(magnitude), size),
                                         ${symbol}_joined(0x74u, UINT32_C(0x6A528800) + slow));
    const ${symbol}_wide upper = ${symbol}_sum(
        ${symbol}_product(${symbol}_high(magnitude), size), ${symbol}_joined(0u, ${symbol}_high(lower)));
    const uint32_t top = (${symbol}_high(upper) << 1u) | (${symbol}_sign(${symbol}_low(upper)) & 1u);
    const uint32_t first = ${symbol}_high(${symbol}_product(top, UINT32_C(0x8CBCCC09)));
#if defined(${upper}_WORDS)
    const uint32_t lowest = ${symbol}_without_4(${symbol}_high(upper), ${symbol}_low(upper));
#else
    const uint32_t lowest = (${symbol}_high(upper) << 28u) | (${symbol}_low(upper) >> 4u);
#endif
    const uint32_t rest = lowest - first * ${upper}_FIVE_TO_12;
    const uint32_t second = ${symbol}_high(${symbol}_product(rest << 3u, UINT32_C(0x0232F330)));
    ${symbol}_wide change = ${symbol}_sum(
        ${symbol}_joined(first >> 8u, first << 24u), ${symbol}_joined(0u, second));
    const ${symbol}_wide bits = ${symbol}_joined(${symbol}_low(upper), ${symbol}_low(lower));

    if ((${symbol}_without_12(bits) - ${symbol}_low(change) * ${upper}_FIVE_TO_12)
        >= ${upper}_FIVE_TO_12) {
        change = ${symbol}_sum(change, ${symbol}_joined(0u, 1u));
    }
    return ${symbol}_signed(
        (slow != 0u) ? ${symbol}_difference(magnitude, change) : ${symbol}_sum(magnitude, change), sign);
}
