"""The curve of a crystal, and the effects that a fit estimates with it.

The order of work in a fit, and why it is this one:

1. `sensor_smoothing` comes first, as the lag's filter would follow the sensor's steps.
2. `joint_fit`: lag, ageing and loop bend the curve and each other, so that all are estimated at once, with a rich curve that is
   not mistaken for an effect. All but lags and starts is linear and projected out; the grid of lags is scanned before anything is
   refined, as the sum of squares has several minima.
3. `weights` read the noise off the residuals, since no job knows it. Huber's function goes before Tukey's, which would stay at a
   wrong start.
4. `run_comparison` lets each run have a shape of its own before they are joined, as runs that differ bend all that follows.
   `jumps` that stand in the offset itself are split off in that first fit already: a curve fitted through one of 3000 ppb takes
   it for ageing or for a lag.
   The smaller ones are split off before `dips` are looked for, with a second lag let in, since without it a corner of the
   temperature
   looks like a step.
5. `effects` judges one after the other, the lag last: what is left out changes the verdict on the rest. Finer forms are tried
   with weights that never reach zero, since a finer form must be allowed to explain what the plainer one takes for gross errors.
6. `validation` chooses the curve with the effects taken off; then the chosen one is fitted jointly with them.
7. `uncertainty` leaves out whole stretches. The textbook formula, which counts every sample as news, is several times too small;
the
   HAC form alone judges a soak at the end of the range by residuals that the fit has bent to itself. A start of the filter that a
   stretch alone tells is held when the stretch is left out: a millionth of it would be asked for what it cannot tell.
8. `lack_of_fit` asks last whether a shape is left, and changes nothing.

Candidates are compared on whole sweeps left out, and the simplest within one standard error of the best is taken.
Shuffled folds are not offered: neighbouring samples share lag, ripple and drift, so a shuffled split scores a curve on
points that it has all but seen. On the air-bath sample (a real log), taken as the
sensor saw it, tenths drawn at random promise a straight line 1.36 ppm RMS; a sweep left out shows 3.17 ppm.
"""
