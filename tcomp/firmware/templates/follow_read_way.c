
/* At the nearest part of a code that the lookup reads. */
static int32_t ${symbol}_follow_read(const ${symbol}_follow_t *f)
{
    const uint32_t at = ${symbol}_follow_at(f);
    const uint16_t place = (uint16_t)(((at + ${way_half}u) >> ${way_shift}u) & 0xFFFFu);
${way_return}
}
