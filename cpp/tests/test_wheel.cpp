// Angle counts against the sampling theorem and two's complement (vectors/wheel.txt).
#include <cmath>
#include <fifthwheel/wheel.hpp>
#include <limits>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {
constexpr double pi = 3.14159265358979323846;
}

TEST_CASE("the limit of unwrapping is half a turn a sample") {
    const Vectors v("wheel.txt");
    const auto& half = v.at("half_turn");
    CHECK(fw::unwrap_limit_rpm(half[3]) / 60.0 == doctest::Approx(half[2]).epsilon(1e-5));
    CHECK(half[1] / (pi * half[0]) == doctest::Approx(half[2]).epsilon(1e-5));
    for (const char* name : {"aliases_200", "aliases_1000"}) {
        const double fs = v.at(name)[0];
        const double limit = fw::unwrap_limit_rpm(1.0 / fs) / 60.0 * pi * 0.062;
        CHECK(limit == doctest::Approx(v.at(name)[1]).epsilon(1e-5));
    }
    CHECK(fw::unwrap_limit_rpm(0.0) == 0.0);
}

TEST_CASE("steps of a count are its two's complement difference") {
    const Vectors v("wheel.txt");
    const auto& counts = v.at("counts");
    const auto& steps = v.at("steps");
    for (size_t k = 0; k < steps.size(); ++k) {
        const int32_t step = fw::count_step(uint32_t(counts[k]), uint32_t(counts[k + 1]), 14);
        CHECK(step == int32_t(steps[k]));
    }
    CHECK(fw::count_step(0U, 8192U, 14) == -8192);
    CHECK(fw::count_step(4294967295U, 1U, 32) == 2);
}

TEST_CASE("speed on the car follows the counts and falls to zero after the time-out") {
    fw::WheelSpeed<float> wheel(14, 0.005F, 0.1F);
    const double omega = 300.0;
    double angle = 0.0;
    for (int k = 0; k < 400; ++k) {
        REQUIRE(wheel.update(uint32_t(std::floor(angle / (2.0 * pi) * 16384.0)) & 16383U, 0.001F) ==
                fw::Status::ok);
        angle += omega * 0.001;
    }
    CHECK(wheel.speed() == doctest::Approx(omega).epsilon(1e-3));
    const int64_t turned = wheel.turned();
    CHECK(double(turned) == doctest::Approx(399.0 * 0.3 / (2.0 * pi) * 16384.0).epsilon(1e-5));
    const uint32_t last = uint32_t(std::floor((angle - 0.3) / (2.0 * pi) * 16384.0)) & 16383U;
    for (int k = 0; k < 99; ++k) REQUIRE(wheel.update(last, 0.001F) == fw::Status::ok);
    CHECK(wheel.speed() > 0.0F);
    for (int k = 0; k < 5; ++k) REQUIRE(wheel.update(last, 0.001F) == fw::Status::ok);
    CHECK(wheel.speed() == 0.0F);
    CHECK(wheel.turned() == turned);
}

TEST_CASE("bad arguments are refused") {
    fw::WheelSpeed<float> none(0, 0.005F, 0.1F);
    CHECK(none.update(1U, 0.001F) == fw::Status::bad_argument);
    fw::WheelSpeed<float> wheel(14, 0.005F, 0.1F);
    CHECK(wheel.update(1U, -1.0F) == fw::Status::not_finite);
    double out = 0.0;
    CHECK(fw::unwrap_angle(nullptr, 1, 6.28, &out) == fw::Status::bad_argument);
    const double angle = 1.0;
    CHECK(fw::unwrap_angle(&angle, 1, 0.0, &out) == fw::Status::bad_argument);
}

TEST_CASE("raw angle and a rough speed together give the exact angle far beyond the limit") {
    const size_t n = 400;
    std::vector<double> t(n), angle(n), speed(n), turned(n), truth(n);
    for (size_t k = 0; k < n; ++k) {
        t[k] = double(k) * 0.005;
        truth[k] =
            0.5 * 900.0 * t[k] * t[k];  // up to 1,800 rad/s: 1.4 turns a sample, the limit is half a turn
        angle[k] = std::fmod(truth[k], 2.0 * pi);
        speed[k] = 900.0 * t[k] * 1.01 + 3.0;
    }
    angle[100] = std::numeric_limits<double>::quiet_NaN();
    REQUIRE(fw::unwrap_angle_aided(angle.data(), speed.data(), t.data(), n, 2.0 * pi, turned.data()) ==
            fw::Status::ok);
    CHECK(turned[n - 1] == doctest::Approx(truth[n - 1]).epsilon(1e-12));
    CHECK(std::isnan(turned[100]));
}
