#if defined(__AVR__)
/* An entry and the next one. The assembly reads four bytes in a row, which compilers read two by two. */
static void ${symbol}_pair(unsigned int knot, uint8_t part, uint16_t *below, uint16_t *above)
{
    (void)part;
#if defined(__AVR_HAVE_LPMX__) && defined(__GNUC__)
    {
        const int16_t *at = &${symbol}_entries[knot];

        __asm__("lpm %A0, Z+\n\tlpm %B0, Z+\n\tlpm %A1, Z+\n\tlpm %B1, Z"
                : "=&r"(*below), "=&r"(*above), "+z"(at));
    }
#else
    *below = (uint16_t)${below};
    *above = (uint16_t)${above};
#endif
}
#endif

