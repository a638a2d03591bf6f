// Update, smoother and consistency against outside values (vectors/kalman.txt).
#include <cmath>
#include <fifthwheel/kalman.hpp>
#include <random>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {

template <int N>
struct Run {
    std::vector<fw::Gaussian<double, N>> states;
    std::vector<double> means, covariances, nis;
};

template <int N>
Run<N> run(const double (&F)[N][N], const double (&Q)[N][N], double r, const std::vector<double>& z,
           const fw::Gaussian<double, N>& start) {
    const size_t n = z.size();
    Run<N> out;
    out.states.resize(n);
    out.means.resize(n * N);
    out.covariances.resize(n * N * N);
    out.nis.resize(n);
    std::vector<fw::Applied<double, N>> applied(n);
    fw::SparseRow<double> h;
    h.add(0, 1.0);
    const fw::Status status =
        fw::smooth_linear(F, Q, h, r, z.data(), n, start, true, out.states.data(), applied.data(),
                          out.means.data(), out.covariances.data(), out.nis.data());
    REQUIRE(status == fw::Status::ok);
    return out;
}

}  // namespace

TEST_CASE("a scalar random walk is filtered and smoothed as by statsmodels") {
    const Vectors v("kalman.txt");
    const double F[1][1] = {{1.0}};
    const double Q[1][1] = {{0.1}};
    fw::Gaussian<double, 1> start{};
    start.P[0][0] = 1.0;
    const auto out = run<1>(F, Q, 0.5, v.at("walk_z"), start);
    for (size_t k = 0; k < 3; ++k) {
        CHECK(out.states[k].x[0] == doctest::Approx(v.at("walk_x")[k]).epsilon(1e-6));
        CHECK(out.states[k].P[0][0] == doctest::Approx(v.at("walk_P")[k]).epsilon(3e-6));
        CHECK(out.means[k] == doctest::Approx(v.at("walk_smoothed_x")[k]).epsilon(1e-6));
        CHECK(out.covariances[k] == doctest::Approx(v.at("walk_smoothed_P")[k]).epsilon(3e-6));
    }
}

TEST_CASE("the variance of a scalar random walk settles at its closed form") {
    const Vectors v("kalman.txt");
    const double F[1][1] = {{1.0}};
    const double Q[1][1] = {{0.1}};
    fw::Gaussian<double, 1> start{};
    start.P[0][0] = 1.0;
    const auto out = run<1>(F, Q, 0.5, std::vector<double>(200, 0.0), start);
    CHECK(out.states.back().P[0][0] == doctest::Approx(v.at("walk_steady_P")[0]).epsilon(3e-6));
}

TEST_CASE("constant velocity is filtered and smoothed as by filterpy") {
    const Vectors v("kalman.txt");
    const double dt = 0.1;
    const double F[2][2] = {{1.0, dt}, {0.0, 1.0}};
    const double Q[2][2] = {{0.5 * dt * dt * dt / 3.0, 0.5 * dt * dt / 2.0}, {0.5 * dt * dt / 2.0, 0.5 * dt}};
    fw::Gaussian<double, 2> start{};
    start.x[1] = 1.0;
    start.P[0][0] = start.P[1][1] = 1.0;
    const auto out = run<2>(F, Q, 0.04, v.at("velocity_z"), start);
    for (size_t k = 0; k < 5; ++k) {
        CHECK(std::abs(out.nis[k] - v.at("velocity_nis")[k]) < 1e-7);
        for (size_t i = 0; i < 2; ++i) {
            CHECK(std::abs(out.states[k].x[i] - v.at("velocity_x")[2 * k + i]) < 1e-7);
            CHECK(std::abs(out.means[2 * k + i] - v.at("velocity_smoothed_x")[2 * k + i]) < 1e-7);
        }
    }
    CHECK(std::abs(out.states[4].P[0][0] - v.at("velocity_P5")[0]) < 1e-7);
    CHECK(std::abs(out.states[4].P[0][1] - v.at("velocity_P5")[1]) < 1e-7);
    CHECK(std::abs(out.states[4].P[1][1] - v.at("velocity_P5")[2]) < 1e-7);
    CHECK(std::abs(out.covariances[0] - v.at("velocity_smoothed_P1")[0]) < 1e-7);
    CHECK(std::abs(out.covariances[1] - v.at("velocity_smoothed_P1")[1]) < 1e-7);
    CHECK(std::abs(out.covariances[3] - v.at("velocity_smoothed_P1")[2]) < 1e-7);
    CHECK(out.states[4].P[0][1] == out.states[4].P[1][0]);
}

TEST_CASE("the innovations of a right filter stay inside the chi-square bounds") {
    const Vectors v("kalman.txt");
    const double F[1][1] = {{1.0}};
    const double Q[1][1] = {{0.1}};
    std::mt19937_64 random(20260521);
    std::normal_distribution<double> normal;
    fw::Gaussian<double, 1> start{};
    start.P[0][0] = 1.0;
    constexpr int runs = 50;
    constexpr int steps = 40;
    std::vector<double> mean(steps, 0.0);
    for (int m = 0; m < runs; ++m) {
        double x = normal(random);
        std::vector<double> z;
        for (int k = 0; k < steps; ++k) {
            x += std::sqrt(0.1) * normal(random);
            z.push_back(x + std::sqrt(0.5) * normal(random));
        }
        const auto out = run<1>(F, Q, 0.5, z, start);
        for (int k = 0; k < steps; ++k) mean[size_t(k)] += out.nis[size_t(k)] / runs;
    }
    int inside = 0;
    for (const double m : mean)
        inside += int(m > v.at("consistency_50_1")[0] && m < v.at("consistency_50_1")[1]);
    // 95 % of 40 instants are expected inside; fewer than 34 has a probability of 0.3 % (binomial).
    CHECK(inside >= 34);
}

TEST_CASE("a far outlier moves the state as its tail allows") {
    fw::Gaussian<double, 1> start{};
    start.P[0][0] = 1.0;
    fw::SparseRow<double> h;
    h.add(0, 1.0);
    const double y = 100.0;
    fw::Gaussian<double, 1> plain = start;
    fw::Gaussian<double, 1> heavy = start;
    fw::Gaussian<double, 1> gone = start;
    fw::Gaussian<double, 1> left_out = start;
    fw::scalar_update(plain, h, y, 1.0, 1.0, fw::Gate<double>{},
                      static_cast<fw::Applied<double, 1>*>(nullptr));
    fw::scalar_update(heavy, h, y, 1.0, 1.0, fw::Gate<double>{fw::Tail::heavy, 3.0, 1e30},
                      static_cast<fw::Applied<double, 1>*>(nullptr));
    fw::scalar_update(gone, h, y, 1.0, 1.0, fw::Gate<double>{fw::Tail::redescending, 3.0, 1e30},
                      static_cast<fw::Applied<double, 1>*>(nullptr));
    const auto verdict =
        fw::scalar_update(left_out, h, y, 1.0, 1.0, fw::Gate<double>{fw::Tail::redescending, 3.0, 10.0},
                          static_cast<fw::Applied<double, 1>*>(nullptr));
    CHECK(plain.x[0] == doctest::Approx(50.0));
    CHECK(heavy.x[0] < 3.0);
    CHECK(gone.x[0] < 0.01);
    CHECK_FALSE(verdict.applied);
    CHECK(left_out.x[0] == 0.0);
    CHECK(left_out.P[0][0] == 1.0);
}

TEST_CASE("what is not finite is refused and changes nothing") {
    fw::Gaussian<double, 2> state{};
    state.P[0][0] = state.P[1][1] = 1.0;
    fw::SparseRow<double> h;
    h.add(0, 1.0);
    fw::Applied<double, 2> record{};
    CHECK_FALSE(fw::scalar_update(state, h, std::nan(""), 1.0, 1.0, fw::Gate<double>{}, &record).applied);
    CHECK_FALSE(fw::scalar_update(state, h, 1.0, 0.0, 0.0, fw::Gate<double>{}, &record).applied);
    CHECK(state.x[0] == 0.0);
    CHECK(state.P[0][0] == 1.0);
}

TEST_CASE("a Cholesky factor gives its matrix back") {
    double A[3][fw::padded(3)] = {{4.0, 2.0, 0.6}, {2.0, 5.0, 1.0}, {0.6, 1.0, 3.0}};
    double B[3][fw::padded(3)];
    for (int i = 0; i < 3; ++i) {
        for (int j = 0; j < 3; ++j) B[i][j] = A[i][j];
    }
    fw::cholesky<double, 3>(B, 1e-12);
    for (int i = 0; i < 3; ++i) {
        for (int j = 0; j < 3; ++j) {
            double sum = 0.0;
            for (int k = 0; k < 3; ++k) sum += B[i][k] * B[j][k];
            CHECK(sum == doctest::Approx(A[i][j]));
        }
    }
}
