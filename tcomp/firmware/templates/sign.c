
static uint64_t ${symbol}_magnitude(int64_t value)
{
    return (value < 0) ? (UINT64_C(0) - (uint64_t)value) : (uint64_t)value;
}

/* Give a magnitude its sign back, held within an int64_t. */
static int64_t ${symbol}_signed(uint64_t magnitude, int negative)
{
    if (magnitude > (uint64_t)INT64_MAX) {
        return (negative != 0) ? INT64_MIN : INT64_MAX;
    }
    return (negative != 0) ? -(int64_t)magnitude : (int64_t)magnitude;
}
