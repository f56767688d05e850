/* Each segment has its own step: a shift finds the entry, and what is left is the way to the next one. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    const ${along_type} along = ${symbol}_along(code);
    uint16_t knot;
    uint16_t part;

${segments}
    return ${symbol}_between(knot, part);
}
