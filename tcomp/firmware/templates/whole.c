/* Codes since code ${origin_code}: every code lies in the range. */
static ${along_type} ${symbol}_along(${code_type} code)
{
    const unsigned int along = (unsigned int)code - (unsigned int)(${low_code});

    return ${led};
}

