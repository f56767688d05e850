
/// Give a magnitude its sign back, held within an i64.
const fn signed_value(size: u64, negative: bool) -> i64 {
    if size > i64::MAX as u64 {
        if negative {
            i64::MIN
        } else {
            i64::MAX
        }
    } else if negative {
        -(size as i64)
    } else {
        size as i64
    }
}
