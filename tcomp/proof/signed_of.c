static int64_t signed_of(uint64_t bits)
{
    /* Without a conversion that C leaves open: ~bits is below 2^63 wherever bits is not. */
    return (bits <= (uint64_t)INT64_MAX) ? (int64_t)bits : (-(int64_t)(~bits) - 1);
}
