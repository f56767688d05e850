
} // namespace detail
