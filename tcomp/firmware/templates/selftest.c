
int ${symbol}_selftest(void)
{
    int wrong;

    if (${symbol}_crc32() != UINT32_C(${crc32})) {
        return 1;
    }
${calls}
    return 0;
}
