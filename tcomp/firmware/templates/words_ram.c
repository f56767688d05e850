#define ${upper}_WORD(words, place) ((words)[place])

