
/// size * (1 + y), nearest, ties upwards.
const fn multiplied(size: u64, offset_ppt: i32) -> u64 {
    let factor = one_plus_y(offset_ppt);
    let below_one = size % ONE;
    let high = (below_one / MILLION) * factor;
    let low = (high % MILLION) * MILLION + (below_one % MILLION) * factor;
    let product = (size / ONE) * factor + high / MILLION + low / ONE;
    if low % ONE >= ONE / 2 {
        product + 1
    } else {
        product
    }
}
