
${upper}_INLINE ${symbol}_wide ${symbol}_bits(int64_t value)
{
#if defined(${upper}_WORDS)
    ${symbol}_both both;

    both.bits = (uint64_t)value;
    return both.words;
#else
    return (uint64_t)value;
#endif
}

/* The number with its sign turned where the sign has all bits, modulo 2^64. */
${upper}_INLINE ${symbol}_wide ${symbol}_turned(${symbol}_wide value, uint32_t sign)
{
    const ${symbol}_wide turned = ${symbol}_joined(${symbol}_high(value) ^ sign, ${symbol}_low(value) ^ sign);

    return ${symbol}_sum(turned, ${symbol}_joined(0u, sign & 1u));
}

/* Give a magnitude its sign back, held within an int64_t. */
static int64_t ${symbol}_signed(${symbol}_wide magnitude, uint32_t sign)
{
    union {
        ${symbol}_wide bits;
        int64_t value;
    } both;

    if ((${symbol}_high(magnitude) >> 31u) != 0u) {
        both.value = (sign != 0u) ? INT64_MIN : INT64_MAX;
    } else {
        both.bits = ${symbol}_turned(magnitude, sign);
    }
    return both.value;
}
