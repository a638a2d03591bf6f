// Motion of a car on a plane road: states, propagation by the inertial sensor, and measurements.
//
// Axes as ISO 8855 (x forward, y left, z up); psi anticlockwise from east. Equations of motion at the centre
// of gravity:
//   du/dt = (ax - b_ax)(1 - g c_p) + r v - g (s_e cos psi + s_n sin psi)
//   dv/dt = (ay - b_ay)(1 - g c_r) - r u - g (-s_e sin psi + s_n cos psi)
//   r = (1 + k_g)(gz - b_gz)
// The road is a plane that changes slowly with the distance driven: uphill slopes s_e to the east and s_n to
// the north, so that turning round changes the sign of the slope along the car, as it does on a real
// straight, while the bias of the accelerometer keeps its own. Squat c_p and roll c_r [rad per m/s2] also
// take up the scale error of each axis. Without an inertial sensor the inputs are zero and the biases wander
// fast: they then are the acceleration.
// What the slip of an axle differs from its expected slip lasts as long as its cause: `slide` times a size
// that every reading carries; a first-order Gauss-Markov process of unit variance. Errors of GNSS positions
// last much longer than the time between two fixes: east and north are those of the receiver, they wander
// against the true ones (random walk), while fixes differ little from one to the next.
#pragma once

#include <math.h>
#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/kalman.hpp>

namespace fifthwheel {

namespace motion {

enum State : int {
    east,
    north,
    psi,
    u,
    v,
    distance,
    bias_ax,
    bias_ay,
    bias_gz,
    slope_east,
    slope_north,
    slide_front,  // slip of the axle beyond what is expected, in units that every reading carries [1]
    slide_rear,
    gyro_scale,
    squat,
    roll,
    radius_front,  // natural logarithm of true over stated radius
    radius_rear,
    growth_front,  // relative growth of the radius at the reference rim speed
    growth_rear,
    slip,        // longitudinal slip per unit of load, driving or rolling [s2/m]
    brake_slip,  // the same under braking: the share of each axle in it is not well known
    side_slip,   // sideslip of the rear axle per lateral acceleration [rad s2/m]
    latency,     // GNSS latency beyond what the caller took off [s]
    count
};
constexpr int moving = 6;      // east .. distance
constexpr int wandering = 13;  // east .. slide_rear: everything that is not a constant of the session

}  // namespace motion

template <typename Real>
using MotionGaussian = Gaussian<Real, motion::count>;
template <typename Real>
using MotionApplied = Applied<Real, motion::count>;
template <typename Real>
using MotionAdjoint = Adjoint<Real, motion::count>;

// What is fixed for a session. Lengths from the centre of gravity [m].
template <typename Real>
struct MotionSettings {
    Real gravity = Real(9.80665);
    Real wheel_x[4] = {};
    Real wheel_y[4] = {};
    Real radius[4] = {};  // stated rolling radius [m]
    bool steered[4] = {true, true, false, false};
    Real growth_speed = Real(20);  // rim speed at the stated radius at which the growth is stated [m/s]
    Real rear_axle_x = Real(0);
    Real antenna_x = Real(0);
    Real antenna_y = Real(0);
    Real bias_accel_walk = Real(0);  // [m2/s5]
    Real bias_gyro_walk = Real(0);   // [rad2/s3]
    Real gyro_noise = Real(0);       // [rad2/s], where the rows have none of their own
    Real gyro_scale_walk = Real(0);  // wander of the gyro's scale while the car turns [1/s]
    Real slope_walk = Real(0);       // [1/m]
    Real place_walk = Real(0);       // wander of GNSS positions [m2/s]
    Real slide_time = Real(2);       // correlation time of the slides [s]
    int walk_every = 1;              // walks take one long step every so many rows
    // Take the mean of both wheels of an axle as one reading: their difference holds the yaw rate only as
    // well as track and tyres are known, so with a gyro it is left out.
    bool pair_wheels = true;
    // Without an accelerometer nothing but wheels may tell the speed: then none is left out for its
    // innovation.
    bool trust_wheels = false;
    Real light_load = Real(0.3);  // load [m/s2] below which a wheel counts as free
    Real still_speed_variance = Real(1e-6);
    Real still_rate_variance = Real(1e-6);
    Real prior_mean[motion::count] = {};
    Real prior_sd[motion::count] = {};
    // What both axles have in common (on top of prior_sd).
    Real radius_shared_sd = Real(0);
    Real growth_shared_sd = Real(0);
};

// Inertial input of one step: mean over the step; power spectral densities of the noise of both axes [m2/s3]
// and of the turn rate [rad2/s].
template <typename Real>
struct MotionInput {
    Real dt;
    Real ax;
    Real ay;
    Real gz;
    Real noise_x;
    Real noise_y;
    Real noise_r;
    // The same readings smoothed over about 0.1 s, for the derivatives with respect to scale errors only: the
    // noise of a raw reading would be correlated with itself and pull every scale towards zero (errors in
    // variables).
    Real slow_ax;
    Real slow_ay;
    Real slow_gz;
    Real walk;  // time that the walks advance in this step [s]
};

// Derivatives of one step: only the entries of F - I that are not zero.
template <typename Real>
struct MotionTransition {
    Real dt = Real(0);
    Real east_psi, east_u, east_v;
    Real north_psi, north_u, north_v;
    Real psi_bias, psi_scale;
    Real u_psi, u_v, u_bias_ax, u_bias_gz, u_slope_east, u_slope_north, u_scale, u_squat;
    Real v_psi, v_u, v_bias_ay, v_bias_gz, v_slope_east, v_slope_north, v_scale, v_roll;
    Real distance_u;
    // Noise: variance of the velocity increments, of the heading increment, its effect on u and v, and of the
    // walks.
    Real q_u, q_v, q_psi, gyro_u, gyro_v, q_place, q_bias_accel, q_bias_gyro, q_slope, q_slide;
    Real slide_keep = Real(1);  // what is left of a slide
    bool walks = false;
    // Accelerations and yaw rate of the step at the linearisation point.
    Real ax, ay, r;
};

template <typename Real>
struct MotionRates {
    Real ax, ay, r;
};

// Accelerations of the centre of gravity and yaw rate for an inertial reading at the state x.
template <typename Real>
MotionRates<Real> motion_rates(const MotionSettings<Real>& settings, const Real* x, Real ax, Real ay,
                               Real gz) {
    using namespace motion;
    const Real g = settings.gravity;
    const Real c = cos(x[psi]);
    const Real s = sin(x[psi]);
    MotionRates<Real> rates;
    rates.ax = (ax - x[bias_ax]) * (Real(1) - g * x[squat]) - g * (x[slope_east] * c + x[slope_north] * s);
    rates.ay = (ay - x[bias_ay]) * (Real(1) - g * x[roll]) - g * (-x[slope_east] * s + x[slope_north] * c);
    rates.r = (Real(1) + x[gyro_scale]) * (gz - x[bias_gz]);
    return rates;
}

// Derivatives at the state x for the given input.
template <typename Real>
MotionTransition<Real> motion_transition(const MotionSettings<Real>& settings, const Real* x,
                                         const MotionInput<Real>& in) {
    using namespace motion;
    MotionTransition<Real> f;
    const Real dt = in.dt;
    const Real g = settings.gravity;
    const MotionRates<Real> rates = motion_rates(settings, x, in.ax, in.ay, in.gz);
    f.dt = dt;
    f.ax = rates.ax;
    f.ay = rates.ay;
    f.r = rates.r;
    const Real half = rates.r * dt / Real(2);
    const Real c = cos(x[psi] + half);
    const Real s = sin(x[psi] + half);
    const Real um = x[u] + (rates.ax + rates.r * x[v]) * dt / Real(2);
    const Real vm = x[v] + (rates.ay - rates.r * x[u]) * dt / Real(2);
    f.east_psi = -(um * s + vm * c) * dt;
    f.east_u = c * dt;
    f.east_v = -s * dt;
    f.north_psi = (um * c - vm * s) * dt;
    f.north_u = s * dt;
    f.north_v = c * dt;
    f.distance_u = dt;
    const Real slow = in.slow_gz - x[bias_gz];
    const Real scale = Real(1) + x[gyro_scale];
    f.psi_bias = -scale * dt;
    f.psi_scale = slow * dt;
    f.u_v = rates.r * dt;
    f.u_psi = -g * (-x[slope_east] * s + x[slope_north] * c) * dt;
    f.u_bias_ax = -(Real(1) - g * x[squat]) * dt;
    f.u_bias_gz = -scale * vm * dt;
    f.u_slope_east = -g * c * dt;
    f.u_slope_north = -g * s * dt;
    f.u_scale = slow * vm * dt;
    f.u_squat = -g * (in.slow_ax - x[bias_ax]) * dt;
    f.v_u = -rates.r * dt;
    f.v_psi = -g * (-x[slope_east] * c - x[slope_north] * s) * dt;
    f.v_bias_ay = -(Real(1) - g * x[roll]) * dt;
    f.v_bias_gz = scale * um * dt;
    f.v_slope_east = g * s * dt;
    f.v_slope_north = -g * c * dt;
    f.v_scale = -slow * um * dt;
    f.v_roll = -g * (in.slow_ay - x[bias_ay]) * dt;
    f.q_u = in.noise_x * dt;
    f.q_v = in.noise_y * dt;
    f.q_psi = in.noise_r * dt;
    f.gyro_u = vm;
    f.gyro_v = -um;
    f.walks = in.walk > Real(0);
    f.q_place = settings.place_walk * in.walk;
    f.q_bias_accel = settings.bias_accel_walk * in.walk;
    f.q_bias_gyro = (settings.bias_gyro_walk + settings.gyro_scale_walk * slow * slow) * in.walk;
    f.q_slope = settings.slope_walk * (um < Real(0) ? -um : um) * in.walk;
    f.slide_keep = Real(1) / (Real(1) + in.walk / settings.slide_time);
    f.q_slide = Real(1) - f.slide_keep * f.slide_keep;
    return f;
}

// What has faded out is zero: numbers too small for full precision cost a processor many times more.
template <typename Real>
Real motion_faded(Real value) {
    return value < Real(1e-30) && value > Real(-1e-30) ? Real(0) : value;
}

// Move the mean over one step.
template <typename Real>
void motion_advance(Real* x, const MotionTransition<Real>& f) {
    using namespace motion;
    const Real dt = f.dt;
    const Real um = x[u] + (f.ax + f.r * x[v]) * dt / Real(2);
    const Real vm = x[v] + (f.ay - f.r * x[u]) * dt / Real(2);
    x[east] += um * f.east_u + vm * f.east_v;
    x[north] += um * f.north_u + vm * f.north_v;
    x[distance] += um * dt;
    x[u] += (f.ax + f.r * vm) * dt;
    x[v] += (f.ay - f.r * um) * dt;
    x[psi] += f.r * dt;
    x[slide_front] = motion_faded(x[slide_front] * f.slide_keep);
    x[slide_rear] = motion_faded(x[slide_rear] * f.slide_keep);
}

// rows[i] (i = east .. distance) += (F - I) applied to the rows of `m`, element by element over `length`
// columns.
template <typename Real>
void motion_rows(const MotionTransition<Real>& f, const Real (*m)[padded(motion::count)],
                 Real (*rows)[padded(motion::count)]) {
    using namespace motion;
    for (int j = 0; j < padded(count); ++j) {
        const Real p_psi = m[psi][j];
        const Real p_u = m[u][j];
        const Real p_v = m[v][j];
        const Real p_bg = m[bias_gz][j];
        const Real p_se = m[slope_east][j];
        const Real p_sn = m[slope_north][j];
        const Real p_kg = m[gyro_scale][j];
        rows[east][j] = m[east][j] + f.east_psi * p_psi + f.east_u * p_u + f.east_v * p_v;
        rows[north][j] = m[north][j] + f.north_psi * p_psi + f.north_u * p_u + f.north_v * p_v;
        rows[psi][j] = p_psi + f.psi_bias * p_bg + f.psi_scale * p_kg;
        rows[u][j] = p_u + f.u_psi * p_psi + f.u_v * p_v + f.u_bias_ax * m[bias_ax][j] + f.u_bias_gz * p_bg +
                     f.u_slope_east * p_se + f.u_slope_north * p_sn + f.u_scale * p_kg +
                     f.u_squat * m[squat][j];
        rows[v][j] = p_v + f.v_psi * p_psi + f.v_u * p_u + f.v_bias_ay * m[bias_ay][j] + f.v_bias_gz * p_bg +
                     f.v_slope_east * p_se + f.v_slope_north * p_sn + f.v_scale * p_kg +
                     f.v_roll * m[roll][j];
        rows[distance][j] = m[distance][j] + f.distance_u * p_u;
    }
}

// One row times (F - I) transposed, for the six moving states.
template <typename Real>
void motion_columns(const MotionTransition<Real>& f, const Real* m, Real* out) {
    using namespace motion;
    out[east] = m[east] + f.east_psi * m[psi] + f.east_u * m[u] + f.east_v * m[v];
    out[north] = m[north] + f.north_psi * m[psi] + f.north_u * m[u] + f.north_v * m[v];
    out[psi] = m[psi] + f.psi_bias * m[bias_gz] + f.psi_scale * m[gyro_scale];
    out[u] = m[u] + f.u_psi * m[psi] + f.u_v * m[v] + f.u_bias_ax * m[bias_ax] + f.u_bias_gz * m[bias_gz] +
             f.u_slope_east * m[slope_east] + f.u_slope_north * m[slope_north] + f.u_scale * m[gyro_scale] +
             f.u_squat * m[squat];
    out[v] = m[v] + f.v_psi * m[psi] + f.v_u * m[u] + f.v_bias_ay * m[bias_ay] + f.v_bias_gz * m[bias_gz] +
             f.v_slope_east * m[slope_east] + f.v_slope_north * m[slope_north] + f.v_scale * m[gyro_scale] +
             f.v_roll * m[roll];
    out[distance] = m[distance] + f.distance_u * m[u];
}

// Predict mean and covariance over one step; returns the derivatives for the way back.
template <typename Real>
MotionTransition<Real> motion_predict(const MotionSettings<Real>& settings, MotionGaussian<Real>& state,
                                      const MotionInput<Real>& in) {
    using namespace motion;
    constexpr int S = padded(count);
    const MotionTransition<Real> f = motion_transition(settings, state.x, in);
    motion_advance(state.x, f);
    Real m[moving][S];
    motion_rows(f, state.P, m);
    for (int i = 0; i < moving; ++i) {
        Real corner[moving];
        motion_columns(f, m[i], corner);
        for (int j = 0; j <= i; ++j) {
            state.P[i][j] = corner[j];
            state.P[j][i] = corner[j];
        }
        for (int j = moving; j < count; ++j) {
            state.P[i][j] = m[i][j];
            state.P[j][i] = m[i][j];
        }
    }
    state.P[u][u] += f.q_u + f.q_psi * f.gyro_u * f.gyro_u;
    state.P[v][v] += f.q_v + f.q_psi * f.gyro_v * f.gyro_v;
    state.P[psi][psi] += f.q_psi;
    const Real psi_u = f.q_psi * f.gyro_u;
    const Real psi_v = f.q_psi * f.gyro_v;
    const Real u_v = f.q_psi * f.gyro_u * f.gyro_v;
    state.P[psi][u] += psi_u;
    state.P[u][psi] += psi_u;
    state.P[psi][v] += psi_v;
    state.P[v][psi] += psi_v;
    state.P[u][v] += u_v;
    state.P[v][u] += u_v;
    if (!f.walks) return f;
    for (int i = slide_front; i <= slide_rear; ++i) {
        for (int j = 0; j < S; ++j) state.P[i][j] = motion_faded(state.P[i][j] * f.slide_keep);
        for (int j = 0; j < count; ++j) state.P[j][i] = motion_faded(state.P[j][i] * f.slide_keep);
        state.P[i][i] += f.q_slide;
    }
    state.P[east][east] += f.q_place;
    state.P[north][north] += f.q_place;
    state.P[bias_ax][bias_ax] += f.q_bias_accel;
    state.P[bias_ay][bias_ay] += f.q_bias_accel;
    state.P[bias_gz][bias_gz] += f.q_bias_gyro;
    state.P[slope_east][slope_east] += f.q_slope;
    state.P[slope_north][slope_north] += f.q_slope;
    return f;
}

// out += F' applied to m (a vector of length count, or a matrix row by row): out[k] = m[k] + sum_i F[i][k]
// m[i].
template <typename Real>
void motion_transposed(const MotionTransition<Real>& f, Real* m) {
    using namespace motion;
    const Real e = m[east], n = m[north], p = m[psi], a = m[u], b = m[v], d = m[distance];
    m[psi] += f.east_psi * e + f.north_psi * n + f.u_psi * a + f.v_psi * b;
    m[u] += f.east_u * e + f.north_u * n + f.v_u * b + f.distance_u * d;
    m[v] += f.east_v * e + f.north_v * n + f.u_v * a;
    m[bias_ax] += f.u_bias_ax * a;
    m[bias_ay] += f.v_bias_ay * b;
    m[bias_gz] += f.psi_bias * p + f.u_bias_gz * a + f.v_bias_gz * b;
    m[slope_east] += f.u_slope_east * a + f.v_slope_east * b;
    m[slope_north] += f.u_slope_north * a + f.v_slope_north * b;
    m[gyro_scale] += f.psi_scale * p + f.u_scale * a + f.v_scale * b;
    m[squat] += f.u_squat * a;
    m[roll] += f.v_roll * b;
    m[slide_front] = motion_faded(m[slide_front] * f.slide_keep);
    m[slide_rear] = motion_faded(m[slide_rear] * f.slide_keep);
}

// Take the adjoint back over one step: l = F' l, L = F' L F.
template <typename Real>
void motion_predict_adjoint(MotionAdjoint<Real>& adjoint, const MotionTransition<Real>& f) {
    using namespace motion;
    constexpr int S = padded(count);
    motion_transposed(f, adjoint.l);
    Real(*L)[S] = adjoint.L;
    for (int j = 0; j < S; ++j) {
        const Real e = L[east][j], n = L[north][j], p = L[psi][j], a = L[u][j], b = L[v][j],
                   d = L[distance][j];
        L[psi][j] += f.east_psi * e + f.north_psi * n + f.u_psi * a + f.v_psi * b;
        L[u][j] += f.east_u * e + f.north_u * n + f.v_u * b + f.distance_u * d;
        L[v][j] += f.east_v * e + f.north_v * n + f.u_v * a;
        L[bias_ax][j] += f.u_bias_ax * a;
        L[bias_ay][j] += f.v_bias_ay * b;
        L[bias_gz][j] += f.psi_bias * p + f.u_bias_gz * a + f.v_bias_gz * b;
        L[slope_east][j] += f.u_slope_east * a + f.v_slope_east * b;
        L[slope_north][j] += f.u_slope_north * a + f.v_slope_north * b;
        L[gyro_scale][j] += f.psi_scale * p + f.u_scale * a + f.v_scale * b;
        L[squat][j] += f.u_squat * a;
        L[roll][j] += f.v_roll * b;
        L[slide_front][j] = motion_faded(L[slide_front][j] * f.slide_keep);
        L[slide_rear][j] = motion_faded(L[slide_rear][j] * f.slide_keep);
    }
    for (int i = 0; i < count; ++i) motion_transposed(f, L[i]);
    for (int i = 0; i < count; ++i) {
        for (int j = 0; j < i; ++j) L[j][i] = L[i][j];
    }
}

// Start or restart: states [0, until) get the given mean and standard deviation and forget what they shared.
template <typename Real>
void motion_restart(MotionGaussian<Real>& state, const Real* mean, const Real* sd, int until) {
    constexpr int S = padded(motion::count);
    for (int i = 0; i < until; ++i) {
        if (!(sd[i] >= Real(0))) continue;
        for (int j = 0; j < S; ++j) state.P[i][j] = Real(0);
        for (int j = 0; j < motion::count; ++j) state.P[j][i] = Real(0);
        state.P[i][i] = sd[i] * sd[i];
        state.x[i] = mean[i];
    }
}

// State of knowledge before any data.
template <typename Real>
MotionGaussian<Real> motion_start(const MotionSettings<Real>& settings) {
    MotionGaussian<Real> state;
    constexpr int S = padded(motion::count);
    for (int j = 0; j < S; ++j) state.x[j] = Real(0);
    for (int i = 0; i < motion::count; ++i) {
        for (int j = 0; j < S; ++j) state.P[i][j] = Real(0);
        state.x[i] = settings.prior_mean[i];
        state.P[i][i] = settings.prior_sd[i] * settings.prior_sd[i];
    }
    const Real rolling = settings.radius_shared_sd * settings.radius_shared_sd;
    const Real growing = settings.growth_shared_sd * settings.growth_shared_sd;
    for (int i = 0; i < 2; ++i) {
        for (int j = 0; j < 2; ++j) {
            state.P[motion::radius_front + i][motion::radius_front + j] += rolling;
            state.P[motion::growth_front + i][motion::growth_front + j] += growing;
        }
    }
    return state;
}

// ---- measurements: each returns the predicted value and fills the sparse row of derivatives ----

// Rim speed at which a radius that grows by `growth` at `growth_speed` gives the speed `pulled`: the root of
// rim (1 + growth (rim / growth_speed)^2) = pulled by Newton's method, which two steps bring below 1e-6 of it
// for a growth of up to 15 % at the speed at hand.
template <typename Real>
Real rim_speed(Real pulled, Real growth, Real growth_speed) {
    const Real bend = growth / (growth_speed * growth_speed);
    Real rim = pulled;
    for (int step = 0; step < 3; ++step) {
        const Real grown = bend * rim * rim;
        const Real slope = Real(1) + Real(3) * grown;
        if (!(slope > Real(0.3))) return pulled;
        rim -= (rim * (Real(1) + grown) - pulled) / slope;
    }
    return rim;
}

// Rim speed at the stated radius, omega * radius, of wheel i under `load` [m/s2] at steer angle `steer`
// [rad]: forward velocity of the hub times (1 + slip * load + size * slide) over the true relative radius,
// which grows with the square of the turn rate: R = R0 (1 + growth (omega R0 / growth_speed)^2). `guide`: a
// calm forward speed for the derivatives with respect to constants. The derivatives are weighed by `part` and
// added to those already in h.
template <typename Real>
Real wheel_prediction(const MotionSettings<Real>& settings, const Real* x, int wheel, Real gz, Real slow_gz,
                      Real load, Real size, Real steer, Real guide, Real part, SparseRow<Real>& h) {
    using namespace motion;
    const Real scale = Real(1) + x[gyro_scale];
    const Real rate = gz - x[bias_gz];
    const Real r = scale * rate;
    const Real angle = settings.steered[wheel] ? steer : Real(0);
    const Real c = angle == Real(0) ? Real(1) : cos(angle);
    const Real s = angle == Real(0) ? Real(0) : sin(angle);
    const Real arm = settings.wheel_x[wheel] * s - settings.wheel_y[wheel] * c;
    const Real hub = x[u] * c + x[v] * s + r * arm;
    // What the constants are multiplied with in the derivatives: from `guide`, a calm speed that knows next
    // to nothing of this reading. Noise of readings that lasts, in their own derivatives, would pull every
    // scale at every update.
    const Real calm = hub + (guide - x[u]) * c;
    // The radius grows with the square of the turn rate: rim (1 + growth (rim / growth_speed)^2) = pulled.
    const int loaded = load < -settings.light_load ? brake_slip : slip;
    const int grown = wheel < 2 ? growth_front : growth_rear;
    const int slide = wheel < 2 ? slide_front : slide_rear;
    const int stated = wheel < 2 ? radius_front : radius_rear;
    const Real slipping = Real(1) + x[loaded] * load + x[slide] * size;
    const Real log_radius = x[stated];
    const Real shrinking = Real(1) - log_radius + log_radius * log_radius / Real(2);
    const Real pulled = slipping * shrinking * hub;
    const Real rim = rim_speed(pulled, x[grown], settings.growth_speed);
    const Real relative = rim / settings.growth_speed;
    const Real q = relative * relative;
    const Real follow = Real(1) / (Real(1) + Real(3) * x[grown] * q);
    const Real factor = slipping * shrinking * follow;
    h.merge(u, part * c * factor);
    if (s != Real(0)) h.merge(v, part * s * factor);
    h.merge(bias_gz, -part * scale * arm * factor);
    h.merge(gyro_scale, part * (slow_gz - x[bias_gz]) * arm * factor);
    h.merge(stated, part * (log_radius - Real(1)) * slipping * follow * calm);
    const Real steady = calm / (Real(1) + x[grown] * q);
    h.merge(grown,
            -part * follow * steady * steady * steady / (settings.growth_speed * settings.growth_speed));
    if (load != Real(0)) h.merge(loaded, part * load * shrinking * follow * calm);
    if (size != Real(0)) h.merge(slide, part * size * shrinking * follow * calm);
    return rim;
}

// Lateral velocity of the rear axle, v + x_rear r, and what its tyres need to carry the lateral acceleration
// `ay`: sum that is zero, v + x_rear r + u side_slip ay.
template <typename Real>
Real lateral_prediction(const MotionSettings<Real>& settings, const Real* x, Real gz, Real slow_gz, Real ay,
                        SparseRow<Real>& h) {
    using namespace motion;
    const Real scale = Real(1) + x[gyro_scale];
    const Real rate = gz - x[bias_gz];
    const Real arm = settings.rear_axle_x;
    h.add(v, Real(1));
    h.add(bias_gz, -scale * arm);
    h.add(gyro_scale, (slow_gz - x[bias_gz]) * arm);
    h.add(u, x[side_slip] * ay);
    h.add(side_slip, x[u] * ay);
    return x[v] + arm * scale * rate + x[u] * x[side_slip] * ay;
}

// Motion of the antenna: velocity and acceleration in the east-north frame.
template <typename Real>
struct AntennaMotion {
    Real east, north, velocity_east, velocity_north, accel_east, accel_north, c, s, ua, va;
};

template <typename Real>
AntennaMotion<Real> antenna_motion(const MotionSettings<Real>& settings, const Real* x,
                                   const MotionRates<Real>& rates) {
    using namespace motion;
    AntennaMotion<Real> a;
    a.c = cos(x[psi]);
    a.s = sin(x[psi]);
    a.ua = x[u] - rates.r * settings.antenna_y;
    a.va = x[v] + rates.r * settings.antenna_x;
    const Real fx = rates.ax - rates.r * rates.r * settings.antenna_x;
    const Real fy = rates.ay - rates.r * rates.r * settings.antenna_y;
    a.east = x[east] + settings.antenna_x * a.c - settings.antenna_y * a.s;
    a.north = x[north] + settings.antenna_x * a.s + settings.antenna_y * a.c;
    a.velocity_east = a.ua * a.c - a.va * a.s;
    a.velocity_north = a.ua * a.s + a.va * a.c;
    a.accel_east = fx * a.c - fy * a.s;
    a.accel_north = fx * a.s + fy * a.c;
    return a;
}

}  // namespace fifthwheel
