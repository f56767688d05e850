/* A step has ${step} codes: a shift finds the entry, and what is left is the way to the next one. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    const ${along_type} along = ${symbol}_along(code);

    return ${symbol}_between((unsigned int)(along >> ${step_log2}u), (uint${part_bits}_t)(along << ${part_shift}u));
}
