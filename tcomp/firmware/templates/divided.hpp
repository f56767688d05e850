
// size / (1 + y), nearest, ties upwards: a long division, two digits behind the whole part.
constexpr uint64_t divided(uint64_t size, int32_t offset_ppt)
{
    const uint64_t divisor = one_plus_y(offset_ppt);
    const uint64_t first = (size % divisor) * million;
    const uint64_t second = (first % divisor) * million;
    const uint64_t rest = second % divisor;
    const uint64_t quotient = (size / divisor) * one + (first / divisor) * million + second / divisor;

    return rest >= divisor - rest ? quotient + 1u : quotient;
}
