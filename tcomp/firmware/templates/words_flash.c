#if defined(__AVR__)
#define ${upper}_WORD(words, place) pgm_read_word(&(words)[place])
#else
#define ${upper}_WORD(words, place) ((words)[place])
#endif

