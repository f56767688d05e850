
// Interval behind what a counter shows: shown / (1 + y), exact, to nearest.
constexpr int64_t true_interval(int64_t shown, int32_t offset_ppt)
{
    return detail::signed_value(detail::divided(detail::magnitude(shown), offset_ppt), shown < 0);
}
