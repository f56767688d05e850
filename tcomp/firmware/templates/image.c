/* ${symbol}_image.c
 *
 * Do not edit. What it does, and the layout of the image: ${symbol}_image.h.
 */
#include "${symbol}_image.h"

#define ${upper}_IMAGE_HEADER UINT32_C(72)

/* What is rarely run does not share its registers with what is fast. */
#if defined(__GNUC__)
#define ${upper}_APART static __attribute__((noinline))
#else
#define ${upper}_APART static
#endif

const struct ${symbol}_unit ${symbol}_image_unit = {
    {${serial}}, UINT32_C(${build})
};

static uint32_t ${symbol}_image_word(const uint8_t *bytes, uint32_t place, uint32_t count)
{
    uint32_t word = 0u;

    while (count > 0u) {
        count--;
        word = (word << 8u) | bytes[place + count];
    }
    return word;
}

/* The 32 bits as a signed number, without a conversion that C leaves open. */
static int32_t ${symbol}_image_signed(uint32_t bits)
{
    return (bits <= (uint32_t)INT32_MAX) ? (int32_t)bits : (-(int32_t)(~bits) - 1);
}

static uint32_t ${symbol}_image_crc32(const uint8_t *bytes, uint32_t length)
{
    uint32_t crc = UINT32_C(0xFFFFFFFF);
    uint32_t place;
    uint32_t bit;

    for (place = 0u; place < length; place++) {
        crc ^= bytes[place];
        for (bit = 0u; bit < 8u; bit++) {
            crc = (crc >> 1u) ^ (((crc & 1u) != 0u) ? UINT32_C(0xEDB88320) : UINT32_C(0));
        }
    }
    return crc ^ UINT32_C(0xFFFFFFFF);
}

/* Every entry that a code of the range can ask for has to be there. */
static int ${symbol}_image_reaches(const struct ${symbol}_image *image, uint32_t count)
{
    uint32_t along;

    if ((image->low_code < (${least_code})) || (image->high_code > INT32_C(${largest_code}))
        || (image->high_code < image->low_code) || (image->low_code < image->origin_code)) {
        return 0;
    }
    along = (uint32_t)(image->high_code - image->origin_code);
    if ((image->linear != 0u) && ((along & ((UINT32_C(1) << image->step_log2) - 1u)) != 0u)) {
        along += UINT32_C(1) << image->step_log2;
    }
    return ((along >> image->step_log2) < count) ? 1 : 0;
}

/* 0 where the serial number is the unit's, and the build is not too old; else the reason. */
static int ${symbol}_image_strange(const uint8_t *bytes, uint32_t build, const struct ${symbol}_unit *unit)
{
    uint8_t place;

    for (place = 0u; place < 16u; place++) {
        if (bytes[48u + place] != unit->serial[place]) {
            return 7;
        }
    }
    return (build < unit->least_build) ? 8 : 0;
}

/* Where a product of 16 bits by 16 finds entry and part: 2^-16 of a step for each code, and the range in 16 bits; else 0. */
static void ${symbol}_image_unpack(struct ${symbol}_image *image)
{
    const uint32_t last = (uint32_t)(image->high_code - image->origin_code);
    const uint32_t low = (uint32_t)image->low_code;

    image->per_code = 0u;
    image->first = (uint16_t)(low & 0xFFFFu);
    image->span = (uint16_t)(((uint32_t)image->high_code - low) & 0xFFFFu);
    image->lead = (uint16_t)((low - (uint32_t)image->origin_code) & 0xFFFFu);
    if ((image->entry_bytes == 2u) && (image->step_log2 != 0u) && (last <= UINT32_C(0xFFFF))) {
        image->per_code = (uint16_t)(UINT32_C(0x10000) >> image->step_log2);
    }
}

int ${symbol}_image_open(struct ${symbol}_image *image, const uint8_t *bytes, uint32_t length,
    const struct ${symbol}_unit *unit)
{
    uint32_t stated;
    uint32_t count;
    int32_t first_code;

    if (length < (${upper}_IMAGE_HEADER + 4u)) {
        return 1;
    }
    if (${symbol}_image_word(bytes, 0u, 4u) != UINT32_C(0x42544354)) {
        return 2;
    }
    stated = ${symbol}_image_word(bytes, 8u, 4u);
    if ((stated < (${upper}_IMAGE_HEADER + 4u)) || (stated > length)) {
        return 1;
    }
    if (${symbol}_image_crc32(bytes, stated - 4u) != ${symbol}_image_word(bytes, stated - 4u, 4u)) {
        return 3;
    }
    if ((${symbol}_image_word(bytes, 4u, 2u) != 2u) || (${symbol}_image_word(bytes, 6u, 2u) != ${upper}_IMAGE_HEADER)) {
        return 4;
    }
    if ((bytes[28] != ${raw_codes}u) || (bytes[33] != ${adc_bits}u)
        || (${symbol}_image_word(bytes, 40u, 4u) != UINT32_C(${counts_low}))
        || (${symbol}_image_word(bytes, 44u, 4u) != UINT32_C(${counts_high}))) {
        return 5;
    }
    count = ${symbol}_image_word(bytes, 12u, 4u);
    first_code = ${symbol}_image_signed(${symbol}_image_word(bytes, 24u, 4u));
    image->entries = bytes + ${upper}_IMAGE_HEADER;
    image->low_code = ${symbol}_image_signed(${symbol}_image_word(bytes, 16u, 4u));
    image->high_code = ${symbol}_image_signed(${symbol}_image_word(bytes, 20u, 4u));
    image->entry_bytes = bytes[29];
    image->step_log2 = bytes[30];
    image->unit_log2_ppt = bytes[31];
    image->linear = bytes[32];
    image->build = ${symbol}_image_word(bytes, 64u, 4u);
    if (((image->entry_bytes != 2u) && (image->entry_bytes != 4u)) || (image->step_log2 > 15u)
        || (image->unit_log2_ppt > 16u) || (image->linear > 1u) || (count > UINT32_C(65537))
        || (first_code < INT32_C(-65536)) || (first_code > INT32_C(65535))
        || (stated != (${upper}_IMAGE_HEADER + count * image->entry_bytes + 4u))) {
        return 6;
    }
    image->origin_code = first_code;
    if (image->linear == 0u) {
        image->origin_code -= (int32_t)((UINT32_C(1) << image->step_log2) >> 1u);
    }
    if (${symbol}_image_reaches(image, count) == 0) {
        return 6;
    }
    ${symbol}_image_unpack(image);
    return ${symbol}_image_strange(bytes, image->build, unit);
}

/* An entry, 2^31 higher, so that all is unsigned: C leaves >> of negatives open. */
static uint32_t ${symbol}_image_raised(const struct ${symbol}_image *image, uint32_t knot)
{
    const uint32_t bits = ${symbol}_image_word(image->entries, knot * image->entry_bytes, image->entry_bytes);

    if (image->entry_bytes == 2u) {
        return (bits ^ UINT32_C(0x8000)) + UINT32_C(0x7FFF8000);
    }
    return bits ^ UINT32_C(0x80000000);
}

/* An entry of 16 bits, 2^15 higher. */
static uint16_t ${symbol}_image_entry(const uint8_t *at)
{
    return (uint16_t)(((unsigned int)at[0] | ((unsigned int)at[1] << 8u)) ^ 0x8000u);
}

/* Entries of 16 bits: one product finds the entry and the part of the way to the next, another goes it. */
static int32_t ${symbol}_image_short(const struct ${symbol}_image *image, ${code_type} code)
{
    uint16_t along = (uint16_t)(((unsigned int)code - image->first) & 0xFFFFu);
    uint32_t place;
    uint16_t part;
    uint16_t below;
    uint16_t found;
    const uint8_t *at;

    if (along > image->span) {
        along = ((int32_t)code < image->low_code) ? 0u : image->span;
    }
    along = (uint16_t)(along + image->lead);
    place = (uint32_t)along * image->per_code;
    part = (uint16_t)(place & 0xFFFFu);
    at = &image->entries[(size_t)(uint16_t)(place >> 16u) * 2u];
    below = ${symbol}_image_entry(at);
    found = below;

    if ((image->linear != 0u) && (part != 0u)) {
        const uint16_t above = ${symbol}_image_entry(&at[2]);

        if (above >= below) {
            found = (uint16_t)(below + (uint16_t)(((uint32_t)(uint16_t)(above - below) * part + 0x8000u) >> 16u));
        } else {
            found = (uint16_t)(below - (uint16_t)(((uint32_t)(uint16_t)(below - above) * part + 0x7FFFu) >> 16u));
        }
    }
    return (int32_t)found - INT32_C(32768);
}

/* Any other image. */
${upper}_APART int32_t ${symbol}_image_wide(const struct ${symbol}_image *image, ${code_type} code)
{
    int32_t held = code;
    uint32_t along;
    uint32_t knot;
    uint32_t part;
    uint32_t raised;

    if (held < image->low_code) {
        held = image->low_code;
    } else if (held > image->high_code) {
        held = image->high_code;
    } else {
        /* Inside: as it is. */
    }
    along = (uint32_t)(held - image->origin_code);
    knot = along >> image->step_log2;
    part = along & ((UINT32_C(1) << image->step_log2) - 1u);
    raised = ${symbol}_image_raised(image, knot);
    if ((image->linear != 0u) && (part != 0u)) {
        const uint32_t step = UINT32_C(1) << image->step_log2;
        const uint64_t sum = (uint64_t)raised * (step - part)
                             + (uint64_t)${symbol}_image_raised(image, knot + 1u) * part + (step >> 1u);

        raised = (uint32_t)(sum >> image->step_log2);
    }
    return ${symbol}_image_signed(raised ^ UINT32_C(0x80000000));
}

int32_t ${symbol}_image_lookup(const struct ${symbol}_image *image, ${code_type} code)
{
    return (image->per_code != 0u) ? ${symbol}_image_short(image, code) : ${symbol}_image_wide(image, code);
}

int32_t ${symbol}_image_offset_ppt(const struct ${symbol}_image *image, ${code_type} code)
{
    return ${symbol}_image_signed((uint32_t)${symbol}_image_lookup(image, code) << image->unit_log2_ppt);
}

int ${symbol}_image_in_range(const struct ${symbol}_image *image, ${code_type} code)
{
    const int32_t asked = code;

    return ((asked >= image->low_code) && (asked <= image->high_code)) ? 1 : 0;
}
