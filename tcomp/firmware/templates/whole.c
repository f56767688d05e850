/* Codes since code ${origin_code}: every code lies in the range. */
static ${along_type} ${symbol}_along(${code_type} code)
{
    const uint16_t along = (uint16_t)((uint16_t)code - ${low_bits}u);

    return ${led};
}

