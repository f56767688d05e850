
int64_t ${symbol}_true_interval(int64_t shown, int32_t offset_ppt)
{
    return ${symbol}_signed(${symbol}_divided(${symbol}_magnitude(shown), offset_ppt), shown < 0);
}
