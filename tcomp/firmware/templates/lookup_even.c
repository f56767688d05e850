/* A code is ${codes_to_index_q16} parts long, and 65536 parts are the way from one entry to the next. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    const uint16_t along = (uint16_t)${symbol}_along(code);
    const uint32_t position = along * UINT32_C(${codes_to_index_q16});
    const uint16_t knot = (uint16_t)(position >> 16u);

    return ${reading};
}
