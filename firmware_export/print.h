/* print.h
 *
 * Text and integers of 64 bits, which the printf of a small machine often does not know.
 */
#ifndef PRINT_H
#define PRINT_H

#include <stdint.h>

void print_text(const char *text);
void print_integer(int64_t value);

#endif
