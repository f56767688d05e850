
/* magnitude * |y| / (1 + y) in two digits of 2^31, each from the share: the nearest, or too small by 1. */
${upper}_CALLED ${symbol}_wide ${symbol}_change(${symbol}_wide magnitude, uint32_t size, uint32_t slow)
{
    const uint32_t share = ${symbol}_share(size, slow);
    const uint32_t first =
        (${symbol}_high(${symbol}_product(${symbol}_high(magnitude), share)) << 1u) >> 8u;
    const uint32_t low = ${symbol}_low(magnitude);
    ${symbol}_wide scaled = ${symbol}_product((${symbol}_high(magnitude) << 1u) - ((first ^ slow) - slow), size);
    const uint32_t rest = ((${symbol}_without_12(scaled) - first * ${upper}_FIVE_TO_12) << 4u)
                          | ((${symbol}_low(scaled) >> 8u) & 15u);
    ${symbol}_wide second;
    uint32_t whole;
    uint32_t sum;

    scaled = ${symbol}_product(rest, UINT32_C(0x8CBCCC09));
    whole = ${symbol}_high(scaled);
    /* In units of 2^-8: 114 is a half, less what the share may be wrong by. */
    second = ${symbol}_sum(
        ${symbol}_joined(whole >> 24u, (whole << 8u) | (${symbol}_low(scaled) >> 24u)),
        ${symbol}_joined(0u, ((rest >> 24u) >> 2u) + 114u));
    if (slow != 0u) {
        sum = low + whole;
        second = ${symbol}_sum(second, ${symbol}_joined(0u, (sum < whole) ? share : 0u));
    } else {
        sum = low - whole;
        second = ${symbol}_difference(second, ${symbol}_joined(0u, (low < whole) ? share : 0u));
    }
    second = ${symbol}_sum(second, ${symbol}_joined(0u, ${symbol}_high(${symbol}_product(sum, share))));
    return ${symbol}_sum(
        ${symbol}_joined(first >> 1u, ((first & 1u) != 0u) ? UINT32_C(0x80000000) : 0u),
        ${symbol}_joined(0u, (${symbol}_high(second) << 24u) | (${symbol}_low(second) >> 8u)));
}

/* The remainder, which is below 2^44 for all arguments, shows whether the change is too small by 1. */
int64_t ${symbol}_true_interval(int64_t shown, int32_t offset_ppt)
{
    const ${symbol}_wide bits = ${symbol}_bits(shown);
    const uint32_t sign = ${symbol}_sign(${symbol}_high(bits));
    const uint32_t slow = ${symbol}_sign((uint32_t)offset_ppt);
    const uint32_t size = ${symbol}_size(offset_ppt, slow);
    /* Of the least int64_t, too: a negative number is taken 1 smaller for the estimate. */
    const ${symbol}_wide magnitude =
        ${symbol}_joined(${symbol}_high(bits) ^ sign, ${symbol}_low(bits) ^ sign);
    const ${symbol}_wide change = ${symbol}_change(magnitude, size, slow);
    ${symbol}_wide result = ${symbol}_sum(magnitude, ${symbol}_joined(0u, sign & 1u));
    ${symbol}_wide left;

    result = (slow != 0u) ? ${symbol}_sum(result, change) : ${symbol}_difference(result, change);
    left = ${symbol}_product(${symbol}_low(result), size);
    left = ${symbol}_joined(${symbol}_high(left) + ${symbol}_high(result) * size, ${symbol}_low(left));
    if (${symbol}_is_short(left, size, slow, ${symbol}_low(change)) != 0u) {
        result = (slow != 0u) ? ${symbol}_sum(result, ${symbol}_joined(0u, 1u))
                              : ${symbol}_difference(result, ${symbol}_joined(0u, 1u));
    }
    return ${symbol}_signed(result, sign);
}
