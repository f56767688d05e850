/* On AVR the entries are copied into RAM at the start, where they are read faster. */
#define ${upper}_MEMORY
#define ${upper}_READ(entries, place) ((entries)[place])
