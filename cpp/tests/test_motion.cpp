// The motion model against finite differences, dense matrix algebra and rigid-body values
// (vectors/rigid_body.txt).
#include <cmath>
#include <fifthwheel/motion_draw.hpp>
#include <random>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {

constexpr int N = fw::motion::count;
constexpr int S = fw::padded(N);
using Dense = std::vector<std::vector<double>>;

fw::MotionSettings<double> small_car() {
    fw::MotionSettings<double> s;
    const double x[4] = {0.17, 0.17, -0.16, -0.16};
    const double y[4] = {0.13, -0.13, 0.13, -0.13};
    for (int i = 0; i < 4; ++i) {
        s.wheel_x[i] = x[i];
        s.wheel_y[i] = y[i];
        s.radius[i] = 0.05;
    }
    s.rear_axle_x = -0.16;
    s.antenna_x = -0.10;
    s.antenna_y = 0.02;
    s.bias_accel_walk = 4e-6;
    s.bias_gyro_walk = 8e-9;
    s.gyro_noise = 1e-7;
    s.slope_walk = 1e-6;
    s.place_walk = 0.05;
    for (double& sd : s.prior_sd) sd = 0.1;
    return s;
}

fw::MotionGaussian<double> some_state(unsigned seed) {
    std::mt19937_64 random(seed);
    std::normal_distribution<double> normal;
    fw::MotionGaussian<double> state{};
    const double scale[N] = {3,   3,    0.8,  4,    0.3,  5,    0.2,  0.2,  0.01, 0.01, 0.01, 0.5,
                             0.5, 0.01, 2e-3, 2e-3, 0.01, 0.01, 0.03, 0.03, 0.01, 0.01, 0.01, 0.02};
    double A[N][N];
    for (int i = 0; i < N; ++i) {
        state.x[i] = scale[i] * normal(random);
        for (int j = 0; j < N; ++j) A[i][j] = normal(random);
    }
    state.x[fw::motion::u] = 6.0;
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j < N; ++j) {
            double sum = 0.0;
            for (int k = 0; k < N; ++k) sum += A[i][k] * A[j][k];
            state.P[i][j] = 0.05 * (scale[i] * scale[j]) * sum / N;
        }
    }
    return state;
}

fw::MotionInput<double> some_input() { return {0.005, 3.0, 4.0, 0.8, 3e-4, 4e-4, 1e-6, 3.0, 4.0, 0.8, 0.04}; }

// F by central differences of the propagation itself.
Dense numeric_transition(const fw::MotionSettings<double>& s, const double* x0,
                         const fw::MotionInput<double>& in) {
    Dense F(N, std::vector<double>(N));
    for (int j = 0; j < N; ++j) {
        double result[2][S];
        const double step = 1e-5;
        for (int side = 0; side < 2; ++side) {
            double x[S];
            for (int i = 0; i < S; ++i) x[i] = i < N ? x0[i] : 0.0;
            x[j] += side == 0 ? -step : step;
            const auto f = fw::motion_transition(s, x, in);
            fw::motion_advance(x, f);
            for (int i = 0; i < N; ++i) result[side][i] = x[i];
        }
        for (int i = 0; i < N; ++i) F[size_t(i)][size_t(j)] = (result[1][i] - result[0][i]) / (2.0 * step);
    }
    return F;
}

// F as the sparse code applies it, column by column.
Dense applied_transition(const fw::MotionTransition<double>& f) {
    Dense F(N, std::vector<double>(N));
    for (int j = 0; j < N; ++j) {
        double unit[N] = {};
        unit[j] = 1.0;
        double out[fw::motion::moving];
        fw::motion_columns(f, unit, out);
        for (int i = 0; i < N; ++i) F[size_t(i)][size_t(j)] = i < fw::motion::moving ? out[i] : unit[i];
        const bool slides = j == fw::motion::slide_front || j == fw::motion::slide_rear;
        if (slides) F[size_t(j)][size_t(j)] *= f.slide_keep;
    }
    return F;
}

Dense multiply(const Dense& a, const Dense& b, bool transpose_a, bool transpose_b) {
    Dense out(N, std::vector<double>(N));
    for (size_t i = 0; i < N; ++i) {
        for (size_t j = 0; j < N; ++j) {
            for (size_t k = 0; k < N; ++k) {
                out[i][j] += (transpose_a ? a[k][i] : a[i][k]) * (transpose_b ? b[j][k] : b[k][j]);
            }
        }
    }
    return out;
}

template <typename Predict>
void check_derivatives(const fw::MotionGaussian<double>& state, const fw::SparseRow<double>& h,
                       Predict predict, double tolerance) {
    double row[N] = {};
    for (int k = 0; k < h.count; ++k) row[h.index[k]] += h.value[k];
    for (int j = 0; j < N; ++j) {
        double x[S];
        for (int i = 0; i < S; ++i) x[i] = i < N ? state.x[i] : 0.0;
        const double step = 1e-6;
        x[j] += step;
        const double up = predict(x);
        x[j] -= 2.0 * step;
        const double down = predict(x);
        CHECK_MESSAGE(std::abs(row[j] - (up - down) / (2.0 * step)) < tolerance, "state " << j);
    }
}

}  // namespace

TEST_CASE("the derivatives of a step are those of the step") {
    const auto s = small_car();
    for (unsigned seed = 1; seed <= 5; ++seed) {
        const auto state = some_state(seed);
        const auto in = some_input();
        const Dense F = applied_transition(fw::motion_transition(s, state.x, in));
        const Dense numeric = numeric_transition(s, state.x, in);
        for (size_t i = 0; i < N; ++i) {
            // Terms of second order in dt are left out of F: g a dt^2 / 2 = 5e-4, times speed for positions.
            // positions.
            const double tolerance = i < 2 ? 2e-3 : 6e-4;
            for (size_t j = 0; j < N; ++j)
                CHECK_MESSAGE(std::abs(F[i][j] - numeric[i][j]) < tolerance, i << "," << j);
        }
    }
}

TEST_CASE("the sparse prediction of the covariance is F P F' + Q, symmetric to the last bit") {
    const auto s = small_car();
    auto state = some_state(7);
    Dense P(N, std::vector<double>(N));
    for (size_t i = 0; i < N; ++i) {
        for (size_t j = 0; j < N; ++j) P[i][j] = state.P[i][j];
    }
    const auto f = fw::motion_predict(s, state, some_input());
    const Dense F = applied_transition(f);
    Dense expected = multiply(multiply(F, P, false, false), F, false, true);
    double g[N] = {};
    g[fw::motion::psi] = 1.0;
    g[fw::motion::u] = f.gyro_u;
    g[fw::motion::v] = f.gyro_v;
    for (size_t i = 0; i < N; ++i) {
        for (size_t j = 0; j < N; ++j) expected[i][j] += f.q_psi * g[i] * g[j];
    }
    expected[fw::motion::u][fw::motion::u] += f.q_u;
    expected[fw::motion::v][fw::motion::v] += f.q_v;
    for (const int i : {fw::motion::east, fw::motion::north}) expected[size_t(i)][size_t(i)] += f.q_place;
    // A first-order Gauss-Markov process of unit variance stays one: keep^2 + q = 1.
    CHECK(f.slide_keep * f.slide_keep + f.q_slide == doctest::Approx(1.0));
    CHECK(f.slide_keep == doctest::Approx(std::exp(-0.04 / s.slide_time)).epsilon(1e-3));
    for (const int i : {fw::motion::slide_front, fw::motion::slide_rear})
        expected[size_t(i)][size_t(i)] += f.q_slide;
    for (const int i : {fw::motion::bias_ax, fw::motion::bias_ay})
        expected[size_t(i)][size_t(i)] += f.q_bias_accel;
    expected[fw::motion::bias_gz][fw::motion::bias_gz] += f.q_bias_gyro;
    for (const int i : {fw::motion::slope_east, fw::motion::slope_north})
        expected[size_t(i)][size_t(i)] += f.q_slope;
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j < N; ++j) {
            CHECK(state.P[i][j] == doctest::Approx(expected[size_t(i)][size_t(j)]).epsilon(1e-9));
            CHECK(state.P[i][j] == state.P[j][i]);
        }
    }
}

TEST_CASE("the adjoint of a step is F' l and F' L F") {
    const auto s = small_car();
    auto state = some_state(3);
    fw::MotionAdjoint<double> adjoint{};
    const auto shape = some_state(11);
    for (int i = 0; i < N; ++i) {
        adjoint.l[i] = shape.x[i];
        for (int j = 0; j < N; ++j) adjoint.L[i][j] = shape.P[i][j];
    }
    Dense L(N, std::vector<double>(N));
    for (size_t i = 0; i < N; ++i) {
        for (size_t j = 0; j < N; ++j) L[i][j] = adjoint.L[i][j];
    }
    const auto f = fw::motion_predict(s, state, some_input());
    const Dense F = applied_transition(f);
    const Dense expected = multiply(multiply(F, L, true, false), F, false, false);
    double l[N] = {};
    for (size_t i = 0; i < N; ++i) {
        for (size_t k = 0; k < N; ++k) l[i] += F[k][i] * shape.x[k];
    }
    fw::motion_predict_adjoint(adjoint, f);
    for (int i = 0; i < N; ++i) {
        CHECK(adjoint.l[i] == doctest::Approx(l[i]).epsilon(1e-10));
        for (int j = 0; j < N; ++j) {
            CHECK(adjoint.L[i][j] == doctest::Approx(expected[size_t(i)][size_t(j)]).epsilon(1e-9));
        }
    }
}

TEST_CASE("the derivatives of every measurement are those of its prediction") {
    const auto s = small_car();
    const auto state = some_state(5);
    for (int wheel = 0; wheel < 4; ++wheel) {
        for (const double load : {0.0, 4.0, -6.0}) {
            for (const double steer : {0.0, 0.3}) {
                fw::SparseRow<double> h;
                fw::wheel_prediction(s, state.x, wheel, 0.8, 0.8, load, 0.01, steer, state.x[fw::motion::u],
                                     1.0, h);
                check_derivatives(
                    state, h,
                    [&](const double* x) {
                        fw::SparseRow<double> none;
                        return fw::wheel_prediction(s, x, wheel, 0.8, 0.8, load, 0.01, steer,
                                                    x[fw::motion::u], 1.0, none);
                    },
                    // Products of two small corrections are left out of the derivatives (0.03 of a speed of 6
                    // m/s).
                    0.25);
            }
        }
    }
    fw::SparseRow<double> h;
    fw::lateral_prediction(s, state.x, 0.8, 0.8, 4.0, h);
    check_derivatives(
        state, h,
        [&](const double* x) {
            fw::SparseRow<double> none;
            return fw::lateral_prediction(s, x, 0.8, 0.8, 4.0, none);
        },
        1e-6);
}

TEST_CASE("a tyre grows with the square of its turn rate") {
    // R = R0 (1 + g (omega R0 / v0)^2), so a rim speed of 30 m/s at g = 0.04 and v0 = 25 m/s rolls at 30 (1 +
    // 0.04 * 1.44) = 31.728 m/s; the root is unique for g > 0.
    CHECK(fw::rim_speed(31.728, 0.04, 25.0) == doctest::Approx(30.0).epsilon(1e-7));
    CHECK(fw::rim_speed(-31.728, 0.04, 25.0) == doctest::Approx(-30.0).epsilon(1e-7));
    CHECK(fw::rim_speed(23.0, 0.15, 20.0) == doctest::Approx(20.0).epsilon(1e-6));
    CHECK(fw::rim_speed(12.0, 0.0, 25.0) == 12.0);
    // A tyre of 62 mm that has grown by 10 % turns at 10,015.06 rpm at 80 mph (35.7632 m/s); v = omega
    // R(omega).
    const double rim = fw::rim_speed(35.7632, 0.10, 35.7632 / 1.1);
    CHECK(rim / 0.031 * 60.0 / (2.0 * 3.14159265358979324) == doctest::Approx(10015.06).epsilon(1e-5));
    CHECK(1.0 - rim / 35.7632 ==
          doctest::Approx(0.091).epsilon(0.01));  // the error of the speed where growth is ignored
}

TEST_CASE("an antenna off the centre of gravity moves with omega x p") {
    const Vectors v("rigid_body.txt");
    const auto& row = v.at("antenna");
    auto s = small_car();
    s.antenna_x = row[3];
    s.antenna_y = row[4];
    double x[S] = {};
    const auto a = fw::antenna_motion(s, x, fw::MotionRates<double>{0.0, 0.0, row[2]});
    CHECK(a.velocity_east == doctest::Approx(row[6]).epsilon(1e-9));
    CHECK(a.velocity_north == doctest::Approx(row[7]).epsilon(1e-9));
}

TEST_CASE("a whole pass gives the same segments twice and refuses what it cannot use") {
    const auto s = small_car();
    constexpr size_t n = 500;
    std::vector<double> t(n);
    std::vector<float> ax(n, 1.0F), ay(n, 0.0F), gz(n, 0.0F), noise(n, 1e-3F), speed(4 * n),
        variance(4 * n, 1e-3F);
    for (size_t k = 0; k < n; ++k) {
        t[k] = double(k) * 0.005;
        for (size_t i = 0; i < 4; ++i) speed[4 * k + i] = float(t[k] / 0.05);
    }
    fw::MotionRows rows;
    rows.count = n;
    rows.t = t.data();
    rows.ax = ax.data();
    rows.ay = ay.data();
    rows.gz = gz.data();
    rows.noise_x = noise.data();
    rows.noise_y = noise.data();
    rows.wheel_speed = speed.data();
    rows.wheel_variance = variance.data();
    std::vector<fw::MotionGaussian<double>> kept(fw::motion_segments(n));
    std::vector<fw::MotionGaussian<double>> again(fw::motion_segments(n));
    fw::MotionGaussian<double> last{};
    REQUIRE(fw::motion_forward(s, rows, {}, {}, kept.data(), &last, nullptr) == fw::Status::ok);
    REQUIRE(fw::motion_forward(s, rows, {}, {}, again.data(), &last, nullptr) == fw::Status::ok);
    for (size_t m = 0; m < kept.size(); ++m) CHECK(kept[m].x[fw::motion::u] == again[m].x[fw::motion::u]);
    CHECK(last.x[fw::motion::u] == doctest::Approx(t[n - 1]).epsilon(0.02));
    ax[3] = NAN;
    CHECK(fw::motion_forward(s, rows, {}, {}, kept.data(), &last, nullptr) == fw::Status::not_finite);
    rows.ax = nullptr;
    CHECK(fw::motion_forward(s, rows, {}, {}, kept.data(), &last, nullptr) == fw::Status::bad_argument);
}

TEST_CASE("the forward filter also runs in single precision") {
    fw::MotionSettings<float> s;
    for (int i = 0; i < 4; ++i) {
        s.radius[i] = 0.05F;
        s.wheel_y[i] = i % 2 == 0 ? 0.13F : -0.13F;
    }
    for (float& sd : s.prior_sd) sd = 0.05F;
    auto state = fw::motion_start(s);
    for (int k = 0; k < 2000; ++k) {
        fw::motion_predict(
            s, state,
            fw::MotionInput<float>{0.005F, 2.0F, 0.0F, 0.0F, 1e-3F, 1e-3F, 1e-6F, 2.0F, 0.0F, 0.0F, 0.0F});
        fw::SparseRow<float> h;
        const float z = 2.0F * 0.005F * float(k + 1);
        const float y = z - fw::wheel_prediction(s, state.x, 0, 0.0F, 0.0F, 0.0F, 0.0F, 0.0F,
                                                 state.x[fw::motion::u], 1.0F, h);
        fw::scalar_update(state, h, y, 1e-3F, 1e-3F, fw::Gate<float>{},
                          static_cast<fw::MotionApplied<float>*>(nullptr));
    }
    CHECK(state.x[fw::motion::u] == doctest::Approx(20.0).epsilon(0.01));
    for (int i = 0; i < N; ++i) CHECK(state.P[i][i] >= 0.0F);
}
