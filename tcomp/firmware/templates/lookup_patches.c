/* Between the first and the last code of a patch its entries are added; elsewhere nothing is. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    const uint16_t along = (uint16_t)${symbol}_along(code);
    const uint${value_bits}_t smooth = ${symbol}_smooth(along);
    uint16_t since;
    uint16_t first;
    uint32_t position;

${patches}
    return ${symbol}_value((uint${value_bits}_t)(smooth
        + ${symbol}_patch((uint16_t)(first + (uint16_t)(position >> 16u)), (uint16_t)position)));
}
