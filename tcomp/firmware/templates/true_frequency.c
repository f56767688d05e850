
int64_t ${symbol}_true_frequency(int64_t shown, int32_t offset_ppt)
{
    const uint64_t factor = ${symbol}_one_plus_y(offset_ppt);
    const uint64_t magnitude = ${symbol}_magnitude(shown);
    const uint64_t below_one = magnitude % ${upper}_ONE;
    const uint64_t high = (below_one / ${upper}_MILLION) * factor;
    const uint64_t low = (high % ${upper}_MILLION) * ${upper}_MILLION
                         + (below_one % ${upper}_MILLION) * factor;
    uint64_t product = (magnitude / ${upper}_ONE) * factor
                       + high / ${upper}_MILLION + low / ${upper}_ONE;

    if ((low % ${upper}_ONE) >= (${upper}_ONE / 2u)) {
        product += 1u;
    }
    return ${symbol}_signed(product, shown < 0);
}
