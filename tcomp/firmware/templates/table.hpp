// ${symbol}.hpp
//
${title}
//
${origin}
// Do not edit: change the job and export again.
//
// Units and sign
//   Offset y = (f - f_nominal) / f_nominal. Positive: the oscillator is fast. 1 ppt = 1e-12.
${code_words}
//
// Example, in numbers of this table
${example}
//
// Range
${range}
//
// Table
${layout}
//
// Error budget
${budget}
//
// C++14 or later, integers of ${width} bits. Nothing but <stdint.h> is needed. Every function is constexpr, but that on AVR
// those that read the table read it from flash, and run on the board only. Test vectors are checked by the compiler.
#ifndef ${upper}_HPP
#define ${upper}_HPP

#include <stdint.h>

#if defined(__AVR__)
#include <avr/pgmspace.h>
#define ${upper}_IN_FLASH PROGMEM
#define ${upper}_CONSTEXPR inline
#else
#define ${upper}_IN_FLASH
#define ${upper}_CONSTEXPR constexpr
#endif

static_assert((INT32_C(-3) >> 1) == -2, "a right shift has to round down");

namespace ${symbol} {

constexpr ${code_type} low_code = ${low_code};
constexpr ${code_type} high_code = ${high_code};
constexpr int32_t unit_ppt = ${unit_ppt};

constexpr int${entry_bits}_t entries[${count}] ${upper}_IN_FLASH = {
${entries}
};

namespace detail {

using integer = int${width}_t;

// An entry, for the compiler and wherever the table lies in memory like any other.
struct in_memory {
    constexpr integer operator()(integer place) const { return entries[place]; }
};

#if defined(__AVR__)
struct in_flash {
    integer operator()(integer place) const
    {
        return static_cast<int${entry_bits}_t>(${pgm_read}(&entries[place]));
    }
};
using reader = in_flash;
#else
using reader = in_memory;
#endif

template <class Reader> constexpr int${value_bits}_t looked_up(integer code, Reader entry)
{
${statements}
}

} // namespace detail

// Predicted offset at this code, in units of unit_ppt ppt.
${upper}_CONSTEXPR int${value_bits}_t lookup(${code_type} code)
{
    return detail::looked_up(code, detail::reader());
}

// Predicted offset at this code. [ppt]
${upper}_CONSTEXPR int32_t offset_ppt(${code_type} code)
{
    return static_cast<int32_t>(lookup(code)) * unit_ppt;
}

// Whether the code lies in the range that was measured; else the nearest end's offset is returned.
constexpr bool in_range(${code_type} code)
{
    return code >= low_code && code <= high_code;
}
