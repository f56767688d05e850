
/* magnitude / (1 + y), nearest, ties upwards: a long division, two digits behind the whole part. */
static uint64_t ${symbol}_divided(uint64_t magnitude, int32_t offset_ppt)
{
    const uint64_t divisor = ${symbol}_one_plus_y(offset_ppt);
    const uint64_t whole = magnitude / divisor;
    const uint64_t first = (magnitude % divisor) * ${upper}_MILLION;
    const uint64_t second = (first % divisor) * ${upper}_MILLION;
    const uint64_t rest = second % divisor;
    const uint64_t quotient =
        whole * ${upper}_ONE + (first / divisor) * ${upper}_MILLION + second / divisor;

    return (rest >= (divisor - rest)) ? (quotient + 1u) : quotient;
}
