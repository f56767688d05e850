/* Straight line from one entry to the next, nearest integer, ties upwards; part: 2^-16 of the way.
 * The entries are taken ${bias_text} higher, so that all is unsigned: C leaves >> of negatives open.
 * The two weights add up to 65536; the sum stays below 2^${wide_bits}. */
static int${entry_bits}_t ${symbol}_between(unsigned int knot, uint16_t part)
{
    const uint${wide_bits}_t below = (uint${wide_bits}_t)(${below} + ${bias});
    const uint${wide_bits}_t above =
        (uint${wide_bits}_t)(${above} + ${bias});
    const uint${wide_bits}_t sum = below * (UINT${wide_bits}_C(65536) - part) + above * part + 32768u;

    return (int${entry_bits}_t)((int${wide_bits}_t)(sum >> 16u) - ${bias});
}

