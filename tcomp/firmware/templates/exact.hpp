
namespace detail {

// The products below have up to 104 bits. They are formed digit by digit in base 10^6, in 64 bits.
constexpr uint64_t million = UINT64_C(1000000);
constexpr uint64_t one = UINT64_C(1000000000000);

constexpr uint64_t one_plus_y(int32_t offset_ppt)
{
    return static_cast<uint64_t>(INT64_C(1000000000000) + offset_ppt);
}
