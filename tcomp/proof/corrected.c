static uint64_t ${symbol}_corrected(uint64_t which, uint64_t given, int32_t offset_ppt)
{
    switch (which) {
${branches}
    default:
        /* Not every choice of corrections needs it. */
        (void)signed_of(given);
        (void)offset_ppt;
        return 0u;
    }
}
