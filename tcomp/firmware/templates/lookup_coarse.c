/* A step has ${step} codes: a shift finds the entry, and what is left is the way to the next one. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
#if defined(__AVR__)
    /* A shift that puts entry and way into a byte each spares processors of 8 bits a long one. */
    const ${coarse_type} along = (${coarse_type})${symbol}_along(code);
    const uint16_t bytes = (uint16_t)(along >> ${byte_shift}u);
    const uint8_t rest = (uint8_t)(along << ${part_shift}u);

    return ${symbol}_between((uint16_t)(bytes >> 8u), (uint16_t)((uint16_t)(bytes << 8u) | rest));
#else
    const ${along_type} along = ${symbol}_along(code);

    return ${symbol}_between((unsigned int)(along >> ${step_log2}u), (uint16_t)(along << ${part_shift}u));
#endif
}
