/* On AVR the entries stay in flash, which is read by instructions of its own. */
#if defined(__AVR__)
#include <avr/pgmspace.h>
#define ${upper}_MEMORY PROGMEM
#define ${upper}_READ(entries, place) ((int${entry_bits}_t)${pgm_read}(&(entries)[place]))
#else
#define ${upper}_MEMORY
#define ${upper}_READ(entries, place) ((entries)[place])
#endif
