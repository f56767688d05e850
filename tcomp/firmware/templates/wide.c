
/* 64 bits as two words of 32, without a division. A compiler calls its library for a sum of 64 bits on AVR,
 * and for a product on a Cortex-M0+: lines of assembly do the same there. */
#if defined(__AVR_HAVE_MUL__) && defined(__GNUC__) && !defined(__clang__)
#define ${upper}_WORDS
#endif
#define ${upper}_FIVE_TO_12 UINT32_C(244140625)

#if defined(${upper}_WORDS)
#define ${upper}_CALLED static __attribute__((noinline))
#define ${upper}_INLINE static inline __attribute__((always_inline))

typedef struct {
    uint32_t low;
    uint32_t high;
} ${symbol}_wide;

typedef union {
    uint64_t bits;
    ${symbol}_wide words;
} ${symbol}_both;

${upper}_INLINE uint32_t ${symbol}_low(${symbol}_wide value)
{
    return value.low;
}

${upper}_INLINE uint32_t ${symbol}_high(${symbol}_wide value)
{
    return value.high;
}

${upper}_INLINE ${symbol}_wide ${symbol}_joined(uint32_t high, uint32_t low)
{
    ${symbol}_wide value;

    value.low = low;
    value.high = high;
    return value;
}
#else
typedef uint64_t ${symbol}_wide;

#define ${upper}_CALLED static inline
#define ${upper}_INLINE static inline

${upper}_INLINE uint32_t ${symbol}_low(${symbol}_wide value)
{
    return (uint32_t)(value & UINT32_MAX);
}

${upper}_INLINE uint32_t ${symbol}_high(${symbol}_wide value)
{
    return (uint32_t)(value >> 32u);
}

${upper}_INLINE ${symbol}_wide ${symbol}_joined(uint32_t high, uint32_t low)
{
    return ((uint64_t)high << 32u) | low;
}
#endif

/* The sum, modulo 2^64. */
${upper}_INLINE ${symbol}_wide ${symbol}_sum(${symbol}_wide one, ${symbol}_wide other)
{
#if defined(${upper}_WORDS)
    uint32_t low = ${symbol}_low(one);
    uint32_t high = ${symbol}_high(one);

    __asm__("add %A0, %A2\n\tadc %B0, %B2\n\tadc %C0, %C2\n\tadc %D0, %D2\n\t"
            "adc %A1, %A3\n\tadc %B1, %B3\n\tadc %C1, %C3\n\tadc %D1, %D3"
            : "+&r"(low), "+&r"(high)
            : "r"(${symbol}_low(other)), "r"(${symbol}_high(other)));
    return ${symbol}_joined(high, low);
#else
    return one + other;
#endif
}

/* The difference, modulo 2^64. */
${upper}_INLINE ${symbol}_wide ${symbol}_difference(${symbol}_wide one, ${symbol}_wide other)
{
#if defined(${upper}_WORDS)
    uint32_t low = ${symbol}_low(one);
    uint32_t high = ${symbol}_high(one);

    __asm__("sub %A0, %A2\n\tsbc %B0, %B2\n\tsbc %C0, %C2\n\tsbc %D0, %D2\n\t"
            "sbc %A1, %A3\n\tsbc %B1, %B3\n\tsbc %C1, %C3\n\tsbc %D1, %D3"
            : "+&r"(low), "+&r"(high)
            : "r"(${symbol}_low(other)), "r"(${symbol}_high(other)));
    return ${symbol}_joined(high, low);
#else
    return one - other;
#endif
}

/* The product, all 64 bits of it. */
${upper}_CALLED ${symbol}_wide ${symbol}_product(uint32_t one, uint32_t other)
{
#if defined(${upper}_WORDS)
    uint32_t low;
    uint32_t high;
    uint32_t row;
    uint8_t zero;

    /* Byte by byte: first the products that lie side by side, then rows of those that lie across. */
    __asm__("clr %2\n\t"
            "mul %A4, %A5\n\tmovw %A0, r0\n\tmul %B4, %B5\n\tmovw %C0, r0\n\t"
            "mul %C4, %C5\n\tmovw %A1, r0\n\tmul %D4, %D5\n\tmovw %C1, r0\n\t"
            "mul %A4, %B5\n\tmovw %A3, r0\n\tmul %B4, %C5\n\tmovw %C3, r0\n\tmul %C4, %D5\n\t"
            "add %B0, %A3\n\tadc %C0, %B3\n\tadc %D0, %C3\n\tadc %A1, %D3\n\t"
            "adc %B1, r0\n\tadc %C1, r1\n\tadc %D1, %2\n\t"
            "mul %B4, %A5\n\tmovw %A3, r0\n\tmul %C4, %B5\n\tmovw %C3, r0\n\tmul %D4, %C5\n\t"
            "add %B0, %A3\n\tadc %C0, %B3\n\tadc %D0, %C3\n\tadc %A1, %D3\n\t"
            "adc %B1, r0\n\tadc %C1, r1\n\tadc %D1, %2\n\t"
            "mul %A4, %D5\n\tadd %D0, r0\n\tadc %A1, r1\n\t"
            "adc %B1, %2\n\tadc %C1, %2\n\tadc %D1, %2\n\t"
            "mul %D4, %A5\n\tadd %D0, r0\n\tadc %A1, r1\n\t"
            "adc %B1, %2\n\tadc %C1, %2\n\tadc %D1, %2\n\t"
            "mul %A4, %C5\n\tmovw %A3, r0\n\tmul %B4, %D5\n\t"
            "add %C0, %A3\n\tadc %D0, %B3\n\tadc %A1, r0\n\tadc %B1, r1\n\tadc %C1, %2\n\tadc %D1, %2\n\t"
            "mul %C4, %A5\n\tmovw %A3, r0\n\tmul %D4, %B5\n\t"
            "add %C0, %A3\n\tadc %D0, %B3\n\tadc %A1, r0\n\tadc %B1, r1\n\tadc %C1, %2\n\tadc %D1, %2\n\t"
            "clr r1"
            : "=&r"(low), "=&r"(high), "=&r"(zero), "=&r"(row)
            : "r"(one), "r"(other)
            : "r0");
    return ${symbol}_joined(high, low);
#elif defined(__ARM_ARCH_6M__) && defined(__GNUC__)
    uint32_t low;
    uint32_t high;
    uint32_t part;

    __asm__(".syntax unified\n\t"
            "uxth %0, %3\n\tlsrs %3, %3, #16\n\tuxth %2, %4\n\tlsrs %4, %4, #16\n\t"
            "movs %1, %3\n\tmuls %1, %4, %1\n\tmuls %4, %0, %4\n\t"
            "muls %0, %2, %0\n\tmuls %3, %2, %3\n\t"
            "adds %3, %3, %4\n\tmovs %2, #0\n\tadcs %2, %2, %2\n\t"
            "lsls %2, %2, #16\n\tadds %1, %1, %2\n\t"
            "lsls %2, %3, #16\n\tlsrs %3, %3, #16\n\tadds %0, %0, %2\n\tadcs %1, %1, %3"
            : "=&l"(low), "=&l"(high), "=&l"(part), "+&l"(one), "+&l"(other)
            :
            : "cc");
    return ${symbol}_joined(high, low);
#else
    return (uint64_t)one * other;
#endif
}

#if defined(${upper}_WORDS)
/* The lower 32 bits of a value >> 4, of which these are the 32 lowest and what stands above them. */
${upper}_INLINE uint32_t ${symbol}_without_4(uint32_t above, uint32_t bits)
{
    uint8_t next = (uint8_t)(above & 0xFFu);

    __asm__("lsr %1\n\tror %D0\n\tror %C0\n\tror %B0\n\tror %A0\n\t"
            "lsr %1\n\tror %D0\n\tror %C0\n\tror %B0\n\tror %A0\n\t"
            "lsr %1\n\tror %D0\n\tror %C0\n\tror %B0\n\tror %A0\n\t"
            "lsr %1\n\tror %D0\n\tror %C0\n\tror %B0\n\tror %A0"
            : "+r"(bits), "+r"(next));
    return bits;
}
#endif

/* The lower 32 bits of value >> 12. 10^12 is 2^12 times 5^12, so these hold a remainder of 10^12. */
${upper}_INLINE uint32_t ${symbol}_without_12(${symbol}_wide value)
{
#if defined(${upper}_WORDS)
    return ${symbol}_without_4(value.high >> 8u, (value.high << 24u) | (value.low >> 8u));
#else
    return (${symbol}_high(value) << 20u) | (${symbol}_low(value) >> 12u);
#endif
}

/* All bits where the highest of these is set, else none; and what they are worth without a sign. */
${upper}_INLINE uint32_t ${symbol}_sign(uint32_t bits)
{
#if defined(${upper}_WORDS)
    return ((bits & UINT32_C(0x80000000)) != 0u) ? UINT32_MAX : 0u;
#else
    return UINT32_C(0) - (bits >> 31u);
#endif
}

${upper}_INLINE uint32_t ${symbol}_size(int32_t offset_ppt, uint32_t sign)
{
    return ((uint32_t)offset_ppt ^ sign) - sign;
}
