
uint32_t ${symbol}_tuning_word(uint32_t wanted, int32_t offset_ppt)
{
    const uint64_t word = ${symbol}_divided(wanted, offset_ppt);

    return (word > UINT32_MAX) ? UINT32_MAX : (uint32_t)word;
}
