
/* The sum of all that can be read, after each of some updates. */
static uint32_t ${own}_sum(void)
{
    ${own}_t a;
    uint32_t sum = 0u;
    uint32_t bits = UINT32_C(${seed});
    uint8_t number;

    ${own}_start(&a);
    for (number = 0u; number < ${updates}u; number++) {
        int32_t offset_ppt;

        bits = (bits * UINT32_C(1664525)) + UINT32_C(1013904223);
        offset_ppt = (int32_t)(bits >> 8u) - INT32_C(8388608);
        if ((number & 1u) != 0u) {
            offset_ppt *= 200;
        }
        ${update};
${sums}
    }
    return sum;
}
