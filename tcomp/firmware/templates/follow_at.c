
/* Where the crystal is, in fine codes since the first of the range. */
static uint32_t ${symbol}_follow_at(const ${symbol}_follow_t *f)
{
${at}
}
