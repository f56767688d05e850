/* What a program is asked of the reader of images: 0 opens the image, 1 looks a code up, 2 gives its offset, 3 says whether
 * it lies in the range, 4 opens the image with so many a bit turned, 5 to 7 open it for another unit, for one that has a
 * newer image, and for one that allows an older one. */
#include "${symbol}_image.h"

#define LENGTH ${length}u

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits);

static const uint8_t bytes[LENGTH] = {
${bytes}
};

static int32_t opened(const uint8_t *from, uint8_t other, uint32_t least_build)
{
    struct ${symbol}_unit unit = ${symbol}_image_unit;
    struct ${symbol}_image image;

    unit.serial[15] = (uint8_t)(unit.serial[15] ^ other);
    unit.least_build = least_build;
    return ${symbol}_image_open(&image, from, LENGTH, &unit);
}

static int32_t damaged(uint16_t bit)
{
    static uint8_t copy[LENGTH];
    uint32_t place;

    for (place = 0u; place < LENGTH; place++) {
        copy[place] = bytes[place];
    }
    copy[bit / 8u] = (uint8_t)(copy[bit / 8u] ^ (1u << (bit % 8u)));
    return (opened(copy, 0u, 0u) == 0) ? 1 : 0;
}

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits)
{
    static struct ${symbol}_image image;
    static int sound = 0;
    const ${code_type} code = (${code_type})${code};

    /* What was refused must not be looked up. */
    if ((which >= 1u) && (which <= 3u) && (sound == 0)) {
        return 0;
    }
    switch (which) {
    case 0u: {
        const int reason = ${symbol}_image_open(&image, bytes, LENGTH, &${symbol}_image_unit);

        sound = (reason == 0) ? 1 : 0;
        return reason;
    }
    case 1u:
        return ${symbol}_image_lookup(&image, code);
    case 2u:
        return ${symbol}_image_offset_ppt(&image, code);
    case 3u:
        return ${symbol}_image_in_range(&image, code);
    case 4u:
        return damaged(bits);
    case 5u:
        return opened(bytes, 1u, ${symbol}_image_unit.least_build);
    case 6u:
        return opened(bytes, 0u, ${symbol}_image_unit.least_build + 1u);
    default:
        return opened(bytes, 0u, 0u);
    }
}
