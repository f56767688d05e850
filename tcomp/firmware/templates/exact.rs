
// The products below have up to 104 bits. They are formed digit by digit in base 10^6, in 64 bits.
const MILLION: u64 = 1_000_000;
const ONE: u64 = 1_000_000_000_000;

const fn one_plus_y(offset_ppt: i32) -> u64 {
    (1_000_000_000_000_i64 + offset_ppt as i64) as u64
}
