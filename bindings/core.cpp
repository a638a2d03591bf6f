// fifthwheel._core: converts between numpy arrays and the core headers, nothing else.
#include <nanobind/nanobind.h>
#include <nanobind/ndarray.h>
#include <nanobind/stl/vector.h>

#include <fifthwheel/motion_draw.hpp>
#include <fifthwheel/motion_smooth.hpp>
#include <fifthwheel/version.hpp>
#include <fifthwheel/wheel.hpp>
#include <stdexcept>
#include <vector>

namespace nb = nanobind;
namespace fw = fifthwheel;

void bind_block(nb::module_& m);  // block.cpp
void bind_link(nb::module_& m);   // link.cpp
void bind_film(nb::module_& m);   // film.cpp

namespace {

template <typename T>
using Array = nb::ndarray<T, nb::c_contig, nb::device::cpu>;

void raise(fw::Status status) {
    switch (status) {
        case fw::Status::ok:
            return;
        case fw::Status::bad_argument:
            throw std::invalid_argument("bad argument");
        case fw::Status::not_finite:
            throw std::domain_error("not finite");
        case fw::Status::not_positive:
            throw std::domain_error("not positive");
        case fw::Status::too_small:
            throw std::length_error("buffer too small");
        default:  // nothing bound here returns the others
            throw std::runtime_error("unexpected status");
    }
}

// The array under `name` in a dict of arrays, or null; its length must be `length`.
template <typename T>
T* field(const nb::dict& fields, const char* name, size_t length) {
    if (!fields.contains(name)) return nullptr;
    auto array = nb::cast<Array<T>>(fields[name]);
    if (array.size() != length) throw std::invalid_argument(name);
    return array.data();
}

double number(const nb::dict& fields, const char* name) { return nb::cast<double>(fields[name]); }

void numbers(const nb::dict& fields, const char* name, double* out, size_t length) {
    const auto values = nb::cast<std::vector<double>>(fields[name]);
    if (values.size() != length) throw std::invalid_argument(name);
    for (size_t i = 0; i < length; ++i) out[i] = values[i];
}

fw::MotionSettings<double> settings_of(const nb::dict& d) {
    fw::MotionSettings<double> s;
    s.gravity = number(d, "gravity");
    numbers(d, "wheel_x", s.wheel_x, 4);
    numbers(d, "wheel_y", s.wheel_y, 4);
    numbers(d, "radius", s.radius, 4);
    s.growth_speed = number(d, "growth_speed");
    s.rear_axle_x = number(d, "rear_axle_x");
    s.antenna_x = number(d, "antenna_x");
    s.antenna_y = number(d, "antenna_y");
    s.bias_accel_walk = number(d, "bias_accel_walk");
    s.bias_gyro_walk = number(d, "bias_gyro_walk");
    s.gyro_noise = number(d, "gyro_noise");
    if (d.contains("gyro_scale_walk")) s.gyro_scale_walk = number(d, "gyro_scale_walk");
    s.slope_walk = number(d, "slope_walk");
    if (d.contains("place_walk")) s.place_walk = number(d, "place_walk");
    if (d.contains("slide_time")) s.slide_time = number(d, "slide_time");
    if (d.contains("walk_every")) s.walk_every = nb::cast<int>(d["walk_every"]);
    if (s.walk_every < 1) throw std::invalid_argument("walk_every");
    s.still_speed_variance = number(d, "still_speed_variance");
    s.still_rate_variance = number(d, "still_rate_variance");
    numbers(d, "prior_mean", s.prior_mean, fw::motion::count);
    numbers(d, "prior_sd", s.prior_sd, fw::motion::count);
    s.radius_shared_sd = number(d, "radius_shared_sd");
    s.pair_wheels = nb::cast<bool>(d["pair_wheels"]);
    s.trust_wheels = nb::cast<bool>(d["trust_wheels"]);
    s.growth_shared_sd = number(d, "growth_shared_sd");
    return s;
}

fw::MotionRows rows_of(const nb::dict& d) {
    fw::MotionRows r;
    r.count = nb::cast<Array<double>>(d["t"]).size();
    const size_t n = r.count;
    r.t = field<double>(d, "t", n);
    r.ax = field<float>(d, "ax", n);
    r.ay = field<float>(d, "ay", n);
    r.gz = field<float>(d, "gz", n);
    r.slow_ax = field<float>(d, "slow_ax", n);
    r.slow_ay = field<float>(d, "slow_ay", n);
    r.slow_gz = field<float>(d, "slow_gz", n);
    r.noise_x = field<float>(d, "noise_x", n);
    r.noise_y = field<float>(d, "noise_y", n);
    r.noise_r = field<float>(d, "noise_r", n);
    r.guide = field<float>(d, "guide", n);
    r.steer = field<float>(d, "steer", n);
    r.wheel_speed = field<float>(d, "wheel_speed", 4 * n);
    r.wheel_variance = field<float>(d, "wheel_variance", 4 * n);
    r.wheel_own = field<float>(d, "wheel_own", 4 * n);
    r.wheel_load = field<float>(d, "wheel_load", 4 * n);
    r.wheel_slide = field<float>(d, "wheel_slide", 4 * n);
    r.lateral_variance = field<float>(d, "lateral_variance", n);
    if (d.contains("lateral_memory")) r.lateral_memory = nb::cast<float>(d["lateral_memory"]);
    r.still = field<uint8_t>(d, "still", n);
    return r;
}

fw::MotionFixes fixes_of(const nb::dict& d) {
    fw::MotionFixes f;
    if (!d.contains("row")) return f;
    f.count = nb::cast<Array<int64_t>>(d["row"]).size();
    const size_t n = f.count;
    f.row = field<int64_t>(d, "row", n);
    if (d.contains("velocity_memory")) f.velocity_memory = nb::cast<float>(d["velocity_memory"]);
    if (d.contains("position_memory")) f.position_memory = nb::cast<float>(d["position_memory"]);
    f.offset = field<float>(d, "offset", n);
    f.east = field<double>(d, "east", n);
    f.north = field<double>(d, "north", n);
    f.position_variance = field<float>(d, "position_variance", n);
    f.velocity_east = field<float>(d, "velocity_east", n);
    f.velocity_north = field<float>(d, "velocity_north", n);
    f.velocity_variance = field<float>(d, "velocity_variance", n);
    f.speed = field<float>(d, "speed", n);
    f.speed_variance = field<float>(d, "speed_variance", n);
    if (n > 0 && f.offset == nullptr) throw std::invalid_argument("offset");
    return f;
}

fw::MotionRestarts restarts_of(const nb::dict& d) {
    fw::MotionRestarts r;
    r.count = nb::cast<Array<int64_t>>(d["row"]).size();
    r.row = field<int64_t>(d, "row", r.count);
    r.mean = field<double>(d, "mean", r.count * fw::motion::wandering);
    r.sd = field<double>(d, "sd", r.count * fw::motion::wandering);
    return r;
}

// Doubles of one kept state or adjoint: [count + 1][stride], the vector first.
constexpr size_t kept_size = sizeof(fw::MotionGaussian<double>) / sizeof(double);
static_assert(sizeof(fw::MotionGaussian<double>) == sizeof(fw::MotionAdjoint<double>), "one layout for both");

template <typename T>
T* kept_of(Array<double>& array, size_t count) {
    if (array.size() != count * kept_size) throw std::length_error("buffer too small");
    return reinterpret_cast<T*>(array.data());
}

nb::dict motion_forward(const nb::dict& settings, const nb::dict& rows, const nb::dict& fixes,
                        const nb::dict& restarts, Array<double> kept, Array<double> last) {
    const auto s = settings_of(settings);
    const auto r = rows_of(rows);
    const auto f = fixes_of(fixes);
    const auto b = restarts_of(restarts);
    auto* states = kept_of<fw::MotionGaussian<double>>(kept, fw::motion_segments(r.count));
    auto* end = kept_of<fw::MotionGaussian<double>>(last, 1);
    fw::MotionConsistency consistency;
    fw::Status status = fw::Status::ok;
    {
        nb::gil_scoped_release release;
        status = fw::motion_forward(s, r, f, b, states, end, &consistency);
    }
    raise(status);
    nb::dict out;
    std::vector<double> sum(consistency.sum, consistency.sum + fw::MotionConsistency::groups);
    std::vector<int64_t> whole(consistency.whole, consistency.whole + fw::MotionConsistency::groups);
    std::vector<int64_t> doubted(consistency.doubted, consistency.doubted + fw::MotionConsistency::groups);
    out["sum"] = sum;
    out["whole"] = whole;
    out["doubted"] = doubted;
    return out;
}

void motion_backward(const nb::dict& settings, const nb::dict& rows, const nb::dict& fixes,
                     const nb::dict& restarts, Array<double> kept, Array<double> adjoints, Array<double> mean,
                     Array<float> sd, size_t sd_every) {
    const auto s = settings_of(settings);
    const auto r = rows_of(rows);
    const auto f = fixes_of(fixes);
    const auto b = restarts_of(restarts);
    const size_t segments = fw::motion_segments(r.count);
    auto* states = kept_of<fw::MotionGaussian<double>>(kept, segments);
    auto* back = kept_of<fw::MotionAdjoint<double>>(adjoints, segments);
    constexpr size_t quantities = fw::MotionOutput::quantities;
    if (mean.size() != quantities * r.count || sd.size() != quantities * r.count)
        throw std::length_error("output");
    fw::MotionOutput out;
    for (size_t q = 0; q < quantities; ++q) {
        out.mean[q] = mean.data() + q * r.count;
        out.sd[q] = sd.data() + q * r.count;
    }
    out.sd_every = sd_every;
    fw::Status status = fw::Status::ok;
    {
        nb::gil_scoped_release release;
        std::vector<fw::MotionRecord<double>> buffer(fw::motion_segment);
        status = fw::motion_backward(s, r, f, b, states, back, buffer.data(), out);
    }
    raise(status);
}

void motion_draw(const nb::dict& settings, const nb::dict& rows, const nb::dict& fixes,
                 const nb::dict& restarts, Array<double> kept, Array<double> adjoints, size_t first,
                 size_t last, Array<double> start, Array<float> steps, Array<float> walks, Array<double> out,
                 Array<double> constants) {
    const auto s = settings_of(settings);
    const auto r = rows_of(rows);
    const auto f = fixes_of(fixes);
    const auto b = restarts_of(restarts);
    const size_t segments = fw::motion_segments(r.count);
    const auto* states = kept_of<fw::MotionGaussian<double>>(kept, segments);
    const auto* back = kept_of<fw::MotionAdjoint<double>>(adjoints, segments);
    fw::MotionWindow window;
    window.first = first;
    window.last = last;
    window.draws = start.size() / fw::motion::count;
    const size_t length = last - first;
    const size_t every = size_t(s.walk_every);
    if (last <= first || start.size() != window.draws * fw::motion::count ||
        steps.size() != length * fw::motion_quick * window.draws ||
        walks.size() != (last / every - first / every + 1) * fw::motion_slow * window.draws ||
        out.size() != fw::motion_draw_quantities * length * window.draws ||
        constants.size() != (fw::motion::count - fw::motion::wandering) * window.draws) {
        throw std::length_error("output");
    }
    window.start = start.data();
    window.steps = steps.data();
    window.walks = walks.data();
    for (size_t q = 0; q < fw::motion_draw_quantities; ++q)
        window.out[q] = out.data() + q * length * window.draws;
    window.constants = constants.data();
    fw::Status status = fw::Status::ok;
    {
        nb::gil_scoped_release release;
        std::vector<fw::MotionRecord<double>> records(fw::motion_segment);
        std::vector<fw::MotionGaussian<double>> predicted(fw::motion_segment);
        std::vector<fw::MotionFactor<double>> factors(fw::motion_segment);
        std::vector<double> work(fw::motion_draw_work(window.draws));
        status = fw::motion_draw(s, r, f, b, states, back, window, records.data(), predicted.data(),
                                 factors.data(), work.data());
    }
    raise(status);
}

template <int N>
fw::Status smooth_linear_of(const double* F, const double* Q, const double* h, double r,
                            const Array<const double>& z, const double* x0, const double* P0,
                            bool predict_first, double* x, double* P, double* smoothed_x, double* smoothed_P,
                            double* nis) {
    double f[N][N];
    double q[N][N];
    fw::Gaussian<double, N> start{};
    fw::SparseRow<double> row;
    for (int i = 0; i < N; ++i) {
        start.x[i] = x0[i];
        if (h[i] != 0.0) row.add(i, h[i]);
        for (int j = 0; j < N; ++j) {
            f[i][j] = F[i * N + j];
            q[i][j] = Q[i * N + j];
            start.P[i][j] = P0[i * N + j];
        }
    }
    const size_t n = z.size();
    std::vector<fw::Gaussian<double, N>> states(n);
    std::vector<fw::Applied<double, N>> applied(n);
    const fw::Status status = fw::smooth_linear(f, q, row, r, z.data(), n, start, predict_first,
                                                states.data(), applied.data(), smoothed_x, smoothed_P, nis);
    for (size_t k = 0; k < n; ++k) {
        for (size_t i = 0; i < N; ++i) {
            x[k * N + i] = states[k].x[i];
            for (size_t j = 0; j < N; ++j) P[(k * N + i) * N + j] = states[k].P[i][j];
        }
    }
    return status;
}

void smooth_linear(Array<const double> F, Array<const double> Q, Array<const double> h, double r,
                   Array<const double> z, Array<const double> x0, Array<const double> P0, bool predict_first,
                   Array<double> x, Array<double> P, Array<double> smoothed_x, Array<double> smoothed_P,
                   Array<double> nis) {
    const size_t N = x0.size();
    const size_t n = z.size();
    if (F.size() != N * N || Q.size() != N * N || P0.size() != N * N || h.size() != N || x.size() != n * N ||
        smoothed_x.size() != n * N || P.size() != n * N * N || smoothed_P.size() != n * N * N ||
        nis.size() != n) {
        throw std::length_error("shapes");
    }
    const auto run = [&](auto call) {
        return call(F.data(), Q.data(), h.data(), r, z, x0.data(), P0.data(), predict_first, x.data(),
                    P.data(), smoothed_x.data(), smoothed_P.data(), nis.data());
    };
    switch (N) {
        case 1:
            return raise(run(smooth_linear_of<1>));
        case 2:
            return raise(run(smooth_linear_of<2>));
        case 3:
            return raise(run(smooth_linear_of<3>));
        case 4:
            return raise(run(smooth_linear_of<4>));
        default:
            throw std::length_error("1 to 4 states");
    }
}

void unwrap(Array<const double> angle, Array<double> turned, double turn) {
    if (angle.size() != turned.size()) throw std::length_error("output");
    raise(fw::unwrap_angle(angle.data(), angle.size(), turn, turned.data()));
}

void unwrap_aided(Array<const double> angle, Array<const double> speed, Array<const double> t,
                  Array<double> turned, double turn) {
    const size_t n = angle.size();
    if (speed.size() != n || t.size() != n || turned.size() != n) throw std::length_error("output");
    raise(fw::unwrap_angle_aided(angle.data(), speed.data(), t.data(), n, turn, turned.data()));
}

}  // namespace

NB_MODULE(_core, m) {
    m.attr("core_version") = fw::core_version;
    m.attr("motion_states") = int(fw::motion::count);
    m.attr("motion_wandering") = int(fw::motion::wandering);
    m.attr("motion_stride") = int(fw::padded(fw::motion::count));
    m.attr("motion_segment") = fw::motion_segment;
    m.attr("motion_quantities") = fw::MotionOutput::quantities;
    m.def("motion_forward", &motion_forward);
    m.def("motion_backward", &motion_backward);
    m.attr("motion_quick") = int(fw::motion_quick);
    m.attr("motion_slow") = int(fw::motion_slow);
    m.attr("motion_draw_quantities") = int(fw::motion_draw_quantities);
    m.def("motion_draw", &motion_draw);
    m.def("smooth_linear", &smooth_linear);
    m.def("unwrap_angle", &unwrap);
    m.def("unwrap_angle_aided", &unwrap_aided);
    bind_block(m);
    bind_link(m);
    bind_film(m);
}
