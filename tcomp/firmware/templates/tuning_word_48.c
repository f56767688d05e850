
int64_t ${symbol}_tuning_word_48(int64_t wanted, int32_t offset_ppt)
{
    const int64_t word = ${symbol}_true_interval(wanted, offset_ppt);

    return (word > INT64_C(0xFFFFFFFFFFFF)) ? INT64_C(0xFFFFFFFFFFFF) : word;
}
