/* Codes since code ${origin_code}; a code outside the range is held at its nearest end.
 * One comparison finds both: below the first code the difference wraps around, to more than the last. */
static ${along_type} ${symbol}_along(${code_type} code)
{
    unsigned int along = (unsigned int)code - (unsigned int)(${low_code});

    if (along > ${span}u) {
        along = ${end};
    }
    return ${led};
}

