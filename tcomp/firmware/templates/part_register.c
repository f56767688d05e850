#if defined(__AVR_HAVE_LPMX__) && defined(__GNUC__)
    /* Keeps the part in a register of 8 bits. */
    __asm__("" : "+r"(part));
#endif
