
/// size / (1 + y), nearest, ties upwards: a long division, two digits behind the whole part.
const fn divided(size: u64, offset_ppt: i32) -> u64 {
    let divisor = one_plus_y(offset_ppt);
    let first = (size % divisor) * MILLION;
    let second = (first % divisor) * MILLION;
    let rest = second % divisor;
    let quotient = (size / divisor) * ONE + (first / divisor) * MILLION + second / divisor;
    if rest >= divisor - rest {
        quotient + 1
    } else {
        quotient
    }
}
