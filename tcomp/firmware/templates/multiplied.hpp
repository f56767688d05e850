
// size * (1 + y), nearest, ties upwards.
constexpr uint64_t multiplied(uint64_t size, int32_t offset_ppt)
{
    const uint64_t factor = one_plus_y(offset_ppt);
    const uint64_t below_one = size % one;
    const uint64_t high = (below_one / million) * factor;
    const uint64_t low = (high % million) * million + (below_one % million) * factor;
    const uint64_t product = (size / one) * factor + high / million + low / one;

    return low % one >= one / 2u ? product + 1u : product;
}
