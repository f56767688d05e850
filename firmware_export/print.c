#include "print.h"

#include "board.h"

void print_text(const char *text)
{
    while (*text != '\0') {
        board_put(*text);
        text++;
    }
}

void print_integer(int64_t value)
{
    char digits[21];
    uint8_t place = 20u;
    uint64_t left = (value < 0) ? (UINT64_C(0) - (uint64_t)value) : (uint64_t)value;

    digits[place] = '\0';
    do {
        place--;
        digits[place] = (char)('0' + (char)(left % 10u));
        left /= 10u;
    } while (left > 0u);
    if (value < 0) {
        board_put('-');
    }
    print_text(&digits[place]);
}
