/* gauge07_image.h
 *
 * Frequency offset of the oscillator "gauge 07" against temperature, as integers.
 * Reads the table from a binary image (gauge07.bin), which may be replaced without the program.
 *
 * Do not edit: change the job and export again.
 *
 * The image, little-endian: magic "TCTB" (4 bytes), version 2 (2), length of the header 72 (2), of the
 * image (4), number of entries (4), low_code (4), high_code (4), first_code (4), code (1; 0: int16_t,
 * 1: uint16_t), bytes of an entry (1), step_log2 (1), unit_log2_ppt (1), interpolation (1; 0: nearest,
 * 1: linear), bits of the converter (1), zeros (6), counts_per_c (8, binary64), serial number of the unit
 * (16, ASCII), build (4), zeros (4), the entries, and the CRC-32 (ISO-HDLC) of everything before it (4).
 */
#ifndef GAUGE07_IMAGE_H
#define GAUGE07_IMAGE_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Whose images are taken: those with this serial number, of no lower build than this. */
struct gauge07_unit {
    uint8_t serial[16];
    uint32_t least_build;
};

/* As it was exported: serial of no unit in particular, build 0. A program for many units keeps its own, with the
 * serial number that is stored in the unit; least_build 0 takes an older image, too. */
extern const struct gauge07_unit gauge07_image_unit;

/* Filled by gauge07_image_open; the bytes of the image stay where they are, and are needed. */
struct gauge07_image {
    const uint8_t *entries;
    int32_t low_code;
    int32_t high_code;
    int32_t origin_code;
    uint32_t build;
    uint16_t per_code;
    uint16_t first;
    uint16_t span;
    uint16_t lead;
    uint8_t entry_bytes;
    uint8_t step_log2;
    uint8_t unit_log2_ppt;
    uint8_t linear;
};

/* 0: the image is sound and can be looked up. Else it is refused, and must not be. 1: too short, or longer
 * or shorter than it states; 2: no image; 3: damaged (CRC-32); 4: another version; 5: its codes are not
 * those of this program: another kind, other counts per degC or another number of bits of the converter;
 * 6: a value in it means nothing; 7: another unit's; 8: an older build. length: bytes that may be read;
 * more are no fault. */
int gauge07_image_open(struct gauge07_image *image, const uint8_t *bytes, uint32_t length,
    const struct gauge07_unit *unit);

/* Predicted offset at this code, in units of 2^unit_log2_ppt ppt; the same as gauge07_lookup. */
int32_t gauge07_image_lookup(const struct gauge07_image *image, int16_t code);

/* Predicted offset at this code. [ppt] */
int32_t gauge07_image_offset_ppt(const struct gauge07_image *image, int16_t code);

/* 1: the code lies in the range that was measured. 0: the nearest end's offset is returned. */
int gauge07_image_in_range(const struct gauge07_image *image, int16_t code);

#ifdef __cplusplus
}
#endif

#endif
