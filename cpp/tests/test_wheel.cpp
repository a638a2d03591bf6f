// Angle counts against the sampling theorem and two's complement (vectors/wheel.txt). BUS and SML name the
// rows of tests/published/buses.csv that the numbers stand in as well.
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
    CHECK(half[1] / (pi * half[0]) == doctest::Approx(half[2]).epsilon(1e-5));  // BUS-26: twice it, in Hz
    for (const char* name : {"aliases_200", "aliases_1000"}) {
        const double fs = v.at(name)[0];
        const double limit = fw::unwrap_limit_rpm(1.0 / fs) / 60.0 * pi * 0.062;
        CHECK(limit == doctest::Approx(v.at(name)[1]).epsilon(1e-5));  // BUS-27
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

namespace {

// What an encoder of 14 bits shows at an angle [rad].
uint32_t counts_of(double angle) {
    const double turns = angle / (2.0 * pi);
    return uint32_t(std::floor((turns - std::floor(turns)) * 16384.0)) & 16383U;
}

// Feed `angle_at` [rad] to the wheel every `period` us from `from` to before `to` [us].
template <typename Real, typename Angle>
void drive(fw::WheelSpeed<Real>& wheel, uint32_t from, uint32_t to, uint32_t period, Angle angle_at) {
    for (uint32_t t = from; t != to; t += period) {
        REQUIRE(wheel.update(counts_of(angle_at(double(t - from) * 1e-6)), t) == fw::Status::ok);
    }
}

}  // namespace

TEST_CASE("resolution and noise of a 14-bit encoder") {
    const Vectors v("wheel.txt");
    const auto& r = v.at("resolution_14");
    CHECK(360.0 / 16384.0 == doctest::Approx(r[0]).epsilon(1e-6));
    // One count between two readings is the step of speed.
    for (const double rate : {1000.0, 200.0}) {
        fw::WheelOptions<double> options;
        options.threshold = 1e-4;
        options.filter = 0.0;
        fw::WheelSpeed<double> wheel(options);
        CHECK(wheel.update(100U, 0U) == fw::Status::ok);
        CHECK(wheel.update(101U, uint32_t(1e6 / rate)) == fw::Status::ok);
        CHECK(wheel.distance(0.031) == doctest::Approx(r[1]).epsilon(1e-6));  // BUS-24, and the two of speed
        CHECK(wheel.speed() * 0.031 == doctest::Approx(rate > 500.0 ? r[2] : r[3]).epsilon(1e-5));
    }
    const auto& n = v.at("noise_to_speed");  // BUS-25
    CHECK(std::sqrt(2.0) * n[0] * pi / 180.0 * n[1] * 1000.0 == doctest::Approx(n[2]).epsilon(1e-4));
    CHECK(std::sqrt(2.0) * n[0] * pi / 180.0 * n[1] * 200.0 == doctest::Approx(n[3]).epsilon(1e-4));
    // Rotational speed of 80 mph on 62 mm, its km/h for 1000 turns a minute, and the acceleration of the rim.
    const auto& turns = v.at("turns");
    CHECK(60.0 * turns[0] / (pi * 0.062) == doctest::Approx(turns[1]).epsilon(1e-6));        // SML-01
    CHECK(60.0 * turns[0] / (pi * 0.062 * 1.1) == doctest::Approx(turns[2]).epsilon(1e-5));  // SML-04
    CHECK(0.06 * pi * 0.062 * 1000.0 == doctest::Approx(v.at("per_1000_rpm")[0]).epsilon(1e-6));
    CHECK(turns[0] * turns[0] / 0.031 == doctest::Approx(v.at("rim_acceleration")[0]).epsilon(1e-4));
    CHECK(turns[1] / 60.0 * 2.0 * pi < double(fw::WheelOptions<float>{}.largest_speed));
}

TEST_CASE("frames of an encoder carry even parity and a flag") {
    const Vectors v("wheel.txt");
    const auto& address = v.at("read_address");
    const auto& frame = v.at("read_frame");
    for (size_t k = 0; k < address.size(); ++k) CHECK(fw::encoder_read(uint16_t(address[k])) == frame[k]);
    for (uint32_t x = 0; x < 65536U; ++x) {
        int ones = 0;
        for (int b = 0; b < 16; ++b) ones += int(x >> b & 1U);
        if (fw::even_ones(uint16_t(x)) != (ones % 2 == 0)) FAIL(x);
    }
}

TEST_CASE("an answer comes in the next frame; bad parity and errors are counted and never passed on") {
    // The other end: answers the command before, with even parity; may tell an error until it is read.
    struct Encoder {
        uint16_t angle = 0;
        uint16_t error = 0;
        uint16_t next = 0;
        uint16_t exchange(uint16_t command) {
            const uint16_t out = next;
            REQUIRE(fw::even_ones(command));
            REQUIRE((command & 0x4000U) != 0U);
            const uint16_t address = command & 0x3FFFU;
            uint16_t answer = address == 0x3FFFU ? angle : error;
            if (error != 0U) answer = uint16_t(answer | 0x4000U);
            if (address == 0x0001U) error = 0U;
            next = fw::even_ones(answer) ? answer : uint16_t(answer | 0x8000U);
            return out;
        }
    };
    Encoder encoder;
    fw::EncoderFrames frames;
    uint16_t angle = 0xFFFFU;
    CHECK(frames.take(encoder.exchange(frames.command()), angle) == fw::Status::no_answer);
    CHECK(angle == 0xFFFFU);
    for (uint16_t a = 1; a < 400; ++a) {
        const uint16_t before = encoder.angle;
        encoder.angle = uint16_t(a * 41U);
        CHECK(frames.take(encoder.exchange(frames.command()), angle) == fw::Status::ok);
        CHECK(angle == before);
    }
    // Any single wrong bit.
    for (int b = 0; b < 16; ++b) {
        const uint16_t kept = angle;
        const uint16_t wrong = uint16_t(encoder.exchange(frames.command()) ^ (1U << b));
        CHECK(frames.take(wrong, angle) == fw::Status::bad_checksum);
        CHECK(angle == kept);
    }
    CHECK(frames.bad_parity() == 16U);
    // An error: told, the register read once, and angles again.
    encoder.error = 4U;
    encoder.angle = 1234U;
    std::vector<fw::Status> seen;
    for (int k = 0; k < 6; ++k) seen.push_back(frames.take(encoder.exchange(frames.command()), angle));
    CHECK(seen == std::vector<fw::Status>{fw::Status::ok, fw::Status::device, fw::Status::device,
                                          fw::Status::no_answer, fw::Status::ok, fw::Status::ok});
    CHECK(frames.errors() == 4U);
    CHECK(frames.flagged() == 2U);
    CHECK(angle == 1234U);
}

TEST_CASE("speed on the car follows the counts and falls to zero after the time-out") {
    fw::WheelSpeed<float> wheel(fw::WheelOptions<float>{});
    const double omega = 300.0;
    drive(wheel, 0U, 400000U, 1000U, [&](double t) { return omega * t; });
    CHECK(wheel.speed() == doctest::Approx(omega).epsilon(1e-3));
    CHECK(double(wheel.turned()) == doctest::Approx(399.0 * 0.3 / (2.0 * pi) * 16384.0).epsilon(1e-5));
    // The wheel stops as fast as it may: from the last angle on it stands.
    const int64_t turned = wheel.turned();
    const double stopped = omega * 0.399;
    fw::WheelOptions<float> rough;
    rough.largest_acceleration = 1e6F;
    fw::WheelSpeed<float> locking(rough);
    drive(locking, 0U, 400000U, 1000U, [&](double t) { return omega * t; });
    float before = locking.speed();
    for (uint32_t t = 400000U; t < 498000U; t += 1000U) {
        REQUIRE(locking.update(counts_of(stopped), t) == fw::Status::ok);
        CHECK(locking.speed() <= before);
        before = locking.speed();
    }
    CHECK(locking.speed() > 0.0F);
    CHECK(locking.speed() < 0.1F);  // 0.5 degree in 0.1 s is 0.087 rad/s
    for (uint32_t t = 498000U; t < 501000U; t += 1000U) {
        REQUIRE(locking.update(counts_of(stopped), t) == fw::Status::ok);
    }
    CHECK(locking.speed() == 0.0F);
    CHECK(locking.turned() == turned);
}

TEST_CASE("distance is exact to a count over an hour, both ways, and while the clock wraps") {
    fw::WheelSpeed<float> wheel(fw::WheelOptions<float>{});
    int64_t last = 0;
    int64_t first = 0;
    int refused = 0;
    uint64_t random = 1;
    double speed = 0.0;
    double angle = 5.0;  // counts
    for (uint64_t k = 0; k < 3600000U; ++k) {
        random = random * 6364136223846793005U + 1442695040888963407U;
        speed += (double(random >> 40) / 16777216.0 - 0.5) * 8.0 - speed * 1e-3;  // counts a millisecond
        angle += speed;
        if (k > 0 && (random >> 20) % 37U == 0U) continue;  // a reading that failed
        last = int64_t(std::floor(angle));
        if (k == 0) first = last;
        const uint32_t raw = uint32_t(((last % 16384) + 16384) % 16384);
        refused += wheel.update(raw, uint32_t(4200000000U + k * 1000U)) == fw::Status::ok ? 0 : 1;
    }
    CHECK(refused == 0);
    CHECK(wheel.turned() == last - first);
    CHECK(std::abs(last - first) > 1000000);
    CHECK(wheel.refused() == 0U);
    CHECK(wheel.distance(0.031) == doctest::Approx(double(wheel.turned()) * 2.0 * pi * 0.031 / 16384.0));
}

TEST_CASE("a ramp of speed comes out as late as stated") {
    for (const double filter : {0.0, 0.002, 0.01}) {
        fw::WheelOptions<double> options;
        options.filter = filter;
        fw::WheelSpeed<double> wheel(options);
        const double acceleration = 300.0;  // 10 m/s2 on 31 mm
        drive(wheel, 0U, 1000000U, 1000U, [&](double t) { return 0.5 * acceleration * t * t; });
        const double late = 0.999 - wheel.speed() / acceleration;
        CHECK(wheel.delay() == doctest::Approx(filter + 0.0005).epsilon(1e-6));
        CHECK(late == doctest::Approx(wheel.delay()).epsilon(0.1));
    }
}

TEST_CASE("what no wheel can do is refused, and believed when it lasts") {
    fw::WheelSpeed<float> wheel(fw::WheelOptions<float>{});
    const auto angle = [](double t) { return 200.0 * t; };
    drive(wheel, 0U, 50000U, 1000U, angle);
    const int64_t turned = wheel.turned();
    const float speed = wheel.speed();
    // One reading half a turn off, in either direction, and by 3 degrees.
    uint32_t t = 50000U;
    uint32_t refused = 0U;
    for (const double off : {pi, -2.0, 3.0 * pi / 180.0}) {
        CHECK(wheel.update(counts_of(angle(double(t) * 1e-6) + off), t) == fw::Status::out_of_range);
        CHECK(wheel.refused() == ++refused);
        CHECK(wheel.speed() == doctest::Approx(speed).epsilon(1e-3));
        for (int k = 0; k < 5; ++k) {
            t += 1000U;
            CHECK(wheel.update(counts_of(angle(double(t) * 1e-6)), t) == fw::Status::ok);
        }
        t += 1000U;
    }
    const double expected = 200.0 * double(t - 1000U - 49000U) * 1e-6 / (2.0 * pi) * 16384.0;
    CHECK(std::abs(double(wheel.turned() - turned) - expected) <= 1.0);
    CHECK(wheel.reseated() == 0U);
    // The magnet has slipped by 90 degrees: refused twice, then the new angle.
    const auto slipped = [&](uint32_t at) { return counts_of(angle(double(at) * 1e-6) + pi / 2.0); };
    CHECK(wheel.update(slipped(t), t) == fw::Status::out_of_range);
    CHECK(wheel.update(slipped(t + 1000U), t + 1000U) == fw::Status::out_of_range);
    CHECK(wheel.update(slipped(t + 2000U), t + 2000U) == fw::Status::ok);
    CHECK(wheel.reseated() == 1U);
    for (uint32_t k = 3; k < 20; ++k)
        CHECK(wheel.update(slipped(t + k * 1000U), t + k * 1000U) == fw::Status::ok);
    CHECK(wheel.speed() == doctest::Approx(200.0).epsilon(0.01));
}

TEST_CASE("a board that starts at full speed knows the speed after two readings") {
    fw::WheelSpeed<float> wheel(fw::WheelOptions<float>{});
    drive(wheel, 123000U, 125000U, 1000U, [](double t) { return 1.0 - 1100.0 * t; });
    CHECK(wheel.speed() == doctest::Approx(-1100.0).epsilon(0.001));
}

TEST_CASE("counts of noise a microsecond apart are never a speed over the largest") {
    // Eight counts a turn, as a coarse encoder or three Hall switches of a motor give them.
    fw::WheelOptions<float> options;
    options.bits = 3;
    fw::WheelSpeed<float> wheel(options);
    REQUIRE(wheel.update(0U, 0U) == fw::Status::ok);
    REQUIRE(wheel.update(1U, 1U) == fw::Status::ok);
    CHECK(wheel.speed() > 0.0F);
    CHECK(wheel.speed() <= options.largest_speed);
    REQUIRE(wheel.update(0U, 2U) == fw::Status::ok);
    CHECK(wheel.speed() >= -options.largest_speed);
    CHECK(wheel.turned() == 0);
}

TEST_CASE("missing readings are bridged by the speed before") {
    fw::WheelSpeed<float> wheel(fw::WheelOptions<float>{});
    const auto angle = [](double t) { return 1000.0 * t; };
    drive(wheel, 0U, 20000U, 1000U, angle);
    CHECK(wheel.age(35000U) == doctest::Approx(0.016));
    // 16 ms without a reading: 2.5 turns.
    REQUIRE(wheel.update(counts_of(angle(0.035)), 35000U) == fw::Status::ok);
    CHECK(std::abs(double(wheel.turned()) - 35.0 / (2.0 * pi) * 16384.0) <= 1.0);
}

TEST_CASE("noise at rest is no speed, and creeping above threshold over time-out is") {
    fw::WheelSpeed<float> wheel(fw::WheelOptions<float>{});
    uint64_t random = 7;
    for (uint32_t k = 0; k < 5000U; ++k) {
        random = random * 6364136223846793005U + 1442695040888963407U;
        // Six counts either way: above twice 0.06 degree rms.
        REQUIRE(wheel.update(uint32_t(8000U + (random >> 33) % 13U), k * 1000U) == fw::Status::ok);
        if (k > 110U) CHECK(wheel.speed() == 0.0F);
    }
    fw::WheelSpeed<float> slow(fw::WheelOptions<float>{});
    drive(slow, 0U, 2000000U, 1000U, [](double t) { return 0.1 * t; });
    CHECK(slow.speed() == doctest::Approx(0.1).epsilon(0.05));
}

TEST_CASE("bad arguments are refused") {
    for (const int bits : {-1, 0, 1, 25, 99}) {
        fw::WheelOptions<float> options;
        options.bits = bits;
        fw::WheelSpeed<float> none(options);
        CHECK(none.update(1U, 1000U) == fw::Status::bad_argument);
    }
    fw::WheelOptions<float> options;
    options.threshold = std::numeric_limits<float>::quiet_NaN();
    fw::WheelSpeed<float> none(options);
    CHECK(none.update(1U, 1000U) == fw::Status::bad_argument);
    fw::WheelSpeed<float> wheel(fw::WheelOptions<float>{});
    CHECK(wheel.update(16384U, 1000U) == fw::Status::bad_argument);
    CHECK(wheel.update(1U, 1000U) == fw::Status::ok);
    CHECK(wheel.update(2U, 1000U) == fw::Status::no_answer);
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
