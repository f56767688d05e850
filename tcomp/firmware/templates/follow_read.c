
/* A part of the way from the offset of one code to that of the next. */
static uint32_t ${symbol}_follow_between(uint32_t below, uint32_t above, uint32_t part)
{
    const uint32_t rise = (above - below) * part;

    return (below * ${unit_ppt}u) + ${between};
}

static int32_t ${symbol}_follow_read(const ${symbol}_follow_t *f)
{
    const uint32_t at = ${symbol}_follow_at(f);
    const uint32_t part = at & ${fine_mask}u;
    const int32_t code = ${symbol}_follow_signed((at >> ${fine_bits}u) + (uint32_t)${upper}_LOW_CODE);
    const uint32_t below = (uint32_t)${symbol}_lookup((${code_type})code);
    const uint32_t above = (uint32_t)${symbol}_lookup((${code_type})${next});

    return ${symbol}_follow_signed(${symbol}_follow_between(below, above, part)${loop});
}
