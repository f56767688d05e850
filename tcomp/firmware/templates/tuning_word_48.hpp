
namespace detail {

constexpr int64_t held_word_48(uint64_t word)
{
    return static_cast<int64_t>(word > UINT64_C(0xFFFFFFFFFFFF) ? UINT64_C(0xFFFFFFFFFFFF) : word);
}

} // namespace detail

// Word of 48 bits for a synthesiser, 0 to 2^48 - 1: wanted / (1 + y), exact, to nearest.
constexpr int64_t tuning_word_48(int64_t wanted, int32_t offset_ppt)
{
    return detail::held_word_48(detail::divided(detail::magnitude(wanted), offset_ppt));
}
