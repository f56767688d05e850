#if defined(${upper}_PROGMEM)
#define ${upper}_WORD(words, place) pgm_read_word(&(words)[place])
#else
#define ${upper}_WORD(words, place) ((words)[place])
#endif

