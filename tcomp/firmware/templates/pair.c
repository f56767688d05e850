#if defined(__AVR__)
/* An entry and the next one; at the last entry, where the part is 0, itself. */
static void ${symbol}_pair(unsigned int knot, uint8_t part, uint16_t *below, uint16_t *above)
{
    (void)part;
    *below = (uint16_t)${below};
    *above = (uint16_t)${above};
}
#endif

