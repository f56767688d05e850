
/* The products below have up to 104 bits. They are formed digit by digit in base 10^6, in 64 bits:
 * with 1 + y as (10^12 + offset_ppt) / 10^12, every intermediate result stays below 2^64. */
#define ${upper}_MILLION UINT64_C(1000000)
#define ${upper}_ONE     UINT64_C(1000000000000)

static uint64_t ${symbol}_one_plus_y(int32_t offset_ppt)
{
    return (uint64_t)(INT64_C(1000000000000) + offset_ppt);
}
