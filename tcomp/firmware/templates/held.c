/* Codes since code ${origin_code}; a code outside the range is held at its nearest end.
 * One comparison finds both: below the first code the difference wraps around, to more than the last. */
static ${along_type} ${symbol}_along(${code_type} code)
{
    uint16_t along = (uint16_t)((uint16_t)code - ${low_bits}u);

    if (along > ${span}u) {
        along = ${end};
    }
    return ${led};
}

