
constexpr uint64_t magnitude(int64_t value)
{
    return value < 0 ? UINT64_C(0) - static_cast<uint64_t>(value) : static_cast<uint64_t>(value);
}

// Give a magnitude its sign back, held within an int64_t.
constexpr int64_t signed_value(uint64_t size, bool negative)
{
    return size > static_cast<uint64_t>(INT64_MAX) ? (negative ? INT64_MIN : INT64_MAX)
           : negative                              ? -static_cast<int64_t>(size)
                                                   : static_cast<int64_t>(size);
}
