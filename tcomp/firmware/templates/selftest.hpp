
// Test vectors, checked by the compiler wherever this header is included.
${checks}

} // namespace ${symbol}

#undef ${upper}_IN_FLASH
#undef ${upper}_CONSTEXPR

#endif
