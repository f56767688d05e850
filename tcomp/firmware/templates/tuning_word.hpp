
namespace detail {

constexpr uint32_t held_word(uint64_t word)
{
    return word > UINT32_MAX ? UINT32_MAX : static_cast<uint32_t>(word);
}

} // namespace detail

// Word for a synthesiser: wanted / (1 + y), exact, to nearest.
constexpr uint32_t tuning_word(uint32_t wanted, int32_t offset_ppt)
{
    return detail::held_word(detail::divided(wanted, offset_ppt));
}
