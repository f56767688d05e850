
void ${symbol}_follow_start(${symbol}_follow_t *f, ${code_type} code)
{
    const uint16_t along = ${symbol}_follow_along(code);

${started}
}

int32_t ${symbol}_follow_offset_ppt(${symbol}_follow_t *f, ${code_type} code)
{
    const uint16_t along = ${symbol}_follow_along(code);

${moved}
    return ${symbol}_follow_read(f);
}

int32_t ${symbol}_follow_missed_ppt(${symbol}_follow_t *f, uint16_t updates)
{
    const ${code_type} code = (${code_type})(${symbol}_follow_signed(f->along) + ${upper}_LOW_CODE);
    uint16_t left;

    for (left = updates; left != 0u; left--) {
        (void)${symbol}_follow_offset_ppt(f, code);
    }
    return ${symbol}_follow_read(f);
}

int32_t ${symbol}_follow_fine_code(const ${symbol}_follow_t *f)
{
    return ${symbol}_follow_signed(${symbol}_follow_at(f) + (uint32_t)(${upper}_LOW_CODE * INT32_C(${fine_per_code})));
}
