/* Parabola through three entries, nearest integer, ties upwards; part: 2^-16 of the way through the cell of
 * the middle one. Products are taken 2^31 higher, so that all is unsigned: C leaves >> of negatives open.
 */
static int16_t ${symbol}_curved(uint16_t knot, uint16_t part)
{
    const int16_t way = (int16_t)((int32_t)part - INT32_C(32768));
    const int${entry_bits}_t middle = ${above};
    const int first = middle - ${below};
    const int second = ${upper}_READ(${symbol}_entries, knot + 2u) - middle;
    const int bend = second - first;
    const uint32_t turn = (uint32_t)((int32_t)bend * way) + UINT32_C(0x80008000);
    const int32_t slope = (int32_t)(first + second) + (int32_t)(turn >> 16u) - INT32_C(32768);
    const uint32_t climb = (uint32_t)(slope * way) + UINT32_C(0x80010000);

    return ${symbol}_value((uint16_t)((uint16_t)middle + (uint16_t)((climb >> 17u) - 16384u)));
}

