// Settings: what is refused, that every change is recorded, that a power cut at any byte leaves a whole
// image. The CRC of the image is held against vectors/settings.txt, worked out by Python's zlib.
#include <cmath>
#include <cstring>
#include <fifthwheel/settings.hpp>
#include <limits>
#include <map>
#include <thread>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {

inline constexpr fw::Setting table[] = {
    {1, "slip_target", "1", 0.0F, 0.3F, 0.12F},
    {7, "top_speed", "m/s", 0.0F, 50.0F, 30.0F},
    {300, "steer_trim", "rad", -0.2F, 0.2F, 0.0F},
};
// Later: one gone, one new in its place, ids given anew, one with narrower limits, one in another unit.
inline constexpr fw::Setting later[] = {
    {1, "yaw_gain", "s", 0.0F, 5.0F, 1.0F},
    {2, "slip_target", "1", 0.0F, 0.15F, 0.10F},
    {7, "top_speed", "km/h", 0.0F, 180.0F, 100.0F},
    {8, "steer_trim", "rad", -0.2F, 0.2F, 0.0F},
};
inline constexpr fw::Setting twice[] = {{1, "a", "1", 0.0F, 1.0F, 0.5F}, {1, "b", "1", 0.0F, 1.0F, 0.5F}};
inline constexpr fw::Setting outside[] = {{1, "a", "1", 0.0F, 1.0F, 1.5F}};

using Of = fw::Settings<table>;
constexpr uint64_t layout = 0x1122334455667788U;

// Two slots in memory; the power may be cut after `left` bytes, after which nothing is written any more.
struct Flash {
    std::vector<uint8_t> slot[2];
    size_t left = std::numeric_limits<size_t>::max();
    bool fails = false;

    fw::Status write(int k, const uint8_t* bytes, size_t size) {
        if (fails) return fw::Status::storage;
        auto& s = slot[k];
        if (left == 0) return fw::Status::storage;
        s.assign(size, 0xFFU);  // erased
        for (size_t i = 0; i < size; ++i) {
            if (left == 0) return fw::Status::storage;
            --left;
            s[i] = bytes[i];
        }
        return fw::Status::ok;
    }
    size_t read(int k, uint8_t* bytes, size_t capacity) const {
        const size_t n = slot[k].size() < capacity ? slot[k].size() : capacity;
        if (n > 0) std::memcpy(bytes, slot[k].data(), n);
        return n;
    }
};

std::vector<fw::SettingChange> drained(Of& settings) {
    std::vector<fw::SettingChange> out;
    fw::SettingChange change{};
    while (settings.changed(change)) out.push_back(change);
    return out;
}

float value_of(const Of& settings, uint16_t id) {
    float value = -1.0F;
    REQUIRE(settings.read(id, value) == fw::Status::ok);
    return value;
}

}  // namespace

TEST_CASE("a table is checked by the compiler") {
    static_assert(fw::settings_sound(table));
    static_assert(!fw::settings_sound(twice));
    static_assert(!fw::settings_sound(outside));
    static_assert(fw::setting_index(table, 300) == 2);
    static_assert(fw::setting_index(table, 2) == -1);
    const Of settings(layout);
    CHECK(settings.get<1>() == 0.12F);
    CHECK(settings.get<300>() == 0.0F);
}

TEST_CASE("changes within limits are taken and recorded, others are refused and alter nothing") {
    Of settings(layout);
    CHECK(settings.change(7, 50.0F, 1000U, fw::SettingSource::link) == fw::Status::ok);
    CHECK(settings.change(7, 0.0F, 2000U, fw::SettingSource::program) == fw::Status::ok);
    CHECK(settings.change(7, 0.0F, 2500U, fw::SettingSource::program) == fw::Status::ok);  // no change
    const float nan = std::numeric_limits<float>::quiet_NaN();
    const float infinite = std::numeric_limits<float>::infinity();
    CHECK(settings.change(7, std::nextafter(50.0F, 99.0F), 0U, fw::SettingSource::link) ==
          fw::Status::out_of_range);
    CHECK(settings.change(7, -1e-30F, 0U, fw::SettingSource::link) == fw::Status::out_of_range);
    CHECK(settings.change(7, nan, 0U, fw::SettingSource::link) == fw::Status::not_finite);
    CHECK(settings.change(7, infinite, 0U, fw::SettingSource::link) == fw::Status::not_finite);
    CHECK(settings.change(8, 1.0F, 0U, fw::SettingSource::link) == fw::Status::unknown);
    CHECK(settings.refused() == 5U);
    CHECK(settings.get<7>() == 0.0F);
    const auto changes = drained(settings);
    REQUIRE(changes.size() == 2U);
    CHECK(changes[0].time == 1000U);
    CHECK(changes[0].setting == 7U);
    CHECK(changes[0].before == 30.0F);
    CHECK(changes[0].after == 50.0F);
    CHECK(changes[0].source == fw::SettingSource::link);
    CHECK(changes[1].before == 50.0F);
    CHECK(changes[1].after == 0.0F);
    float value = 9.0F;
    CHECK(settings.read(8, value) == fw::Status::unknown);
    CHECK(value == 9.0F);
}

TEST_CASE("a change that nobody could record is refused") {
    fw::Settings<table, 3> settings(layout);
    for (int k = 0; k < 3; ++k) {
        CHECK(settings.change(7, float(k), 0U, fw::SettingSource::link) == fw::Status::ok);
    }
    CHECK(settings.change(7, 9.0F, 0U, fw::SettingSource::link) == fw::Status::full);
    CHECK(settings.get<7>() == 2.0F);
    fw::SettingChange change{};
    CHECK(settings.changed(change));
    CHECK(settings.change(7, 9.0F, 0U, fw::SettingSource::link) == fw::Status::ok);
    for (int k = 0; k < 3; ++k) CHECK(settings.changed(change));
    CHECK(change.after == 9.0F);
    CHECK(!settings.changed(change));
}

TEST_CASE("changes by one task are recorded by another, each once and in order") {
    Of settings(layout);
    std::thread link([&] {
        for (int k = 1; k <= 20000; ++k) {
            while (settings.change(7, float(k % 50) + 0.5F, uint32_t(k), fw::SettingSource::link) !=
                   fw::Status::ok) {
                std::this_thread::yield();
            }
        }
    });
    uint32_t seen = 0;
    float value = 30.0F;
    while (seen < 20000U) {
        fw::SettingChange change{};
        if (!settings.changed(change)) {
            const float now = settings.get<7>();
            if (now < 0.0F || now > 50.0F) FAIL("torn");
            std::this_thread::yield();
            continue;
        }
        if (change.time != ++seen || change.before != value) FAIL("lost or out of order");
        value = change.after;
    }
    link.join();
    CHECK(value == settings.get<7>());
}

TEST_CASE("values are stored and come back, and that they differ is recorded") {
    Flash flash;
    Of settings(layout);
    CHECK(settings.load(flash, 0U).kept == 0);
    REQUIRE(settings.change(300, -0.1F, 5U, fw::SettingSource::link) == fw::Status::ok);
    REQUIRE(settings.save(flash) == fw::Status::ok);
    CHECK(flash.slot[0].size() == Of::image_size);
    CHECK(flash.slot[1].empty());
    Of again(layout);
    const auto loaded = again.load(flash, 77U);
    CHECK(loaded.kept == 3);
    CHECK(loaded.same_layout);
    CHECK(loaded.bad_slots == 0);
    CHECK(again.get<300>() == -0.1F);
    const auto changes = drained(again);
    REQUIRE(changes.size() == 1U);
    CHECK(changes[0].setting == 300U);
    CHECK(changes[0].source == fw::SettingSource::stored);
    CHECK(changes[0].time == 77U);
    REQUIRE(again.reset(88U) == fw::Status::ok);
    CHECK(again.get<300>() == 0.0F);
    flash.fails = true;
    CHECK(again.save(flash) == fw::Status::storage);
}

TEST_CASE("an image is what its description says, with the CRC of zlib") {
    const Vectors v("settings.txt");
    Flash flash;
    Of settings(layout);
    REQUIRE(settings.change(300, -0.125F, 5U, fw::SettingSource::link) == fw::Status::ok);
    REQUIRE(settings.save(flash) == fw::Status::ok);
    const auto& image = v.at("image");
    REQUIRE(flash.slot[0].size() == image.size());
    for (size_t k = 0; k < image.size(); ++k) CHECK(flash.slot[0][k] == uint8_t(image[k]));
}

TEST_CASE("a power cut at any byte leaves the last stored values or the new ones") {
    for (size_t cut = 0; cut <= 3 * Of::image_size; ++cut) {
        Flash flash;
        Of settings(layout);
        settings.load(flash, 0U);
        REQUIRE(settings.change(7, 10.0F, 0U, fw::SettingSource::link) == fw::Status::ok);
        REQUIRE(settings.save(flash) == fw::Status::ok);
        flash.left = cut;
        float stored = 10.0F;
        float tried = 10.0F;
        for (int k = 0; k < 3; ++k) {
            tried = 20.0F + float(k);
            REQUIRE(settings.change(7, tried, 0U, fw::SettingSource::link) == fw::Status::ok);
            if (settings.save(flash) != fw::Status::ok) break;
            stored = tried;
        }
        flash.left = std::numeric_limits<size_t>::max();
        Of after(layout);
        const auto loaded = after.load(flash, 0U);
        CHECK(after.get<7>() == stored);
        CHECK(loaded.kept == 3);
        // It goes on: the slot that was cut is the one that is written next.
        REQUIRE(after.change(7, 33.0F, 0U, fw::SettingSource::link) == fw::Status::ok);
        REQUIRE(after.save(flash) == fw::Status::ok);
        Of last(layout);
        CHECK(last.load(flash, 0U).bad_slots == 0);
        CHECK(last.get<7>() == 33.0F);
    }
}

TEST_CASE("any flipped bit or cut of an image is noticed, and what is out of range is not taken") {
    Flash flash;
    Of settings(layout);
    REQUIRE(settings.save(flash) == fw::Status::ok);
    const auto good = flash.slot[0];
    for (size_t bit = 0; bit < good.size() * 8; ++bit) {
        flash.slot[0] = good;
        flash.slot[0][bit / 8] = uint8_t(flash.slot[0][bit / 8] ^ (1U << bit % 8));
        Of other(layout);
        const auto loaded = other.load(flash, 0U);
        CHECK(loaded.kept == 0);
        CHECK(loaded.bad_slots == 1);
    }
    for (size_t size = 0; size < good.size(); ++size) {
        flash.slot[0].assign(good.begin(), good.begin() + std::ptrdiff_t(size));
        Of other(layout);
        CHECK(other.load(flash, 0U).kept == 0);
    }
    // A whole image with a value that no limit allows.
    flash.slot[0] = good;
    fw::put_f32(flash.slot[0].data() + Of::head + 6, std::numeric_limits<float>::quiet_NaN());
    fw::put_f32(flash.slot[0].data() + Of::head + Of::each + 6, 51.0F);
    const size_t end = good.size() - 4;
    fw::put_u32(flash.slot[0].data() + end, fw::crc32(flash.slot[0].data(), end));
    Of other(layout);
    const auto loaded = other.load(flash, 0U);
    CHECK(loaded.refused == 2);
    CHECK(loaded.kept == 1);
    CHECK(other.get<7>() == 30.0F);
    // A slot that is longer than what was written, as flash is.
    flash.slot[0] = good;
    flash.slot[0].resize(4096, 0xFFU);
    Of longer(layout);
    CHECK(longer.load(flash, 0U).kept == 3);
}

TEST_CASE("after a change of the table, values that mean the same are kept and the others told") {
    Flash flash;
    Of settings(layout);
    REQUIRE(settings.change(1, 0.25F, 0U, fw::SettingSource::link) == fw::Status::ok);
    REQUIRE(settings.change(300, 0.05F, 0U, fw::SettingSource::link) == fw::Status::ok);
    REQUIRE(settings.save(flash) == fw::Status::ok);
    fw::Settings<later> next(layout + 1);
    const auto loaded = next.load(flash, 0U);
    CHECK(!loaded.same_layout);
    CHECK(loaded.kept == 1);     // steer_trim
    CHECK(loaded.refused == 1);  // slip_target: beyond its new limits
    CHECK(loaded.strange == 1);  // top_speed in m/s
    CHECK(next.get<8>() == 0.05F);
    CHECK(next.get<2>() == 0.10F);
    CHECK(next.get<7>() == 100.0F);
    CHECK(next.get<1>() == 1.0F);
}

TEST_CASE("messages of the link are answered with what is in force") {
    Of settings(layout);
    uint8_t reply[fw::setting_reply_size];
    uint8_t body[6];
    fw::put_u16(body, 7);
    CHECK(fw::answer_setting(settings, 3, body, 2, 0U, reply) == fw::Status::ok);
    CHECK(fw::get_u16(reply) == 7U);
    CHECK(reply[2] == 0U);
    CHECK(fw::get_f32(reply + 3) == 30.0F);
    fw::put_f32(body + 2, 12.5F);
    CHECK(fw::answer_setting(settings, 4, body, 6, 99U, reply) == fw::Status::ok);
    CHECK(fw::get_f32(reply + 3) == 12.5F);
    CHECK(value_of(settings, 7) == 12.5F);
    CHECK(drained(settings).at(0).time == 99U);
    fw::put_f32(body + 2, 51.0F);
    CHECK(fw::answer_setting(settings, 4, body, 6, 99U, reply) == fw::Status::ok);
    CHECK(reply[2] == uint8_t(fw::Status::out_of_range));
    CHECK(fw::get_f32(reply + 3) == 12.5F);
    fw::put_u16(body, 8);
    CHECK(fw::answer_setting(settings, 4, body, 6, 99U, reply) == fw::Status::ok);
    CHECK(reply[2] == uint8_t(fw::Status::unknown));
    CHECK(std::isnan(fw::get_f32(reply + 3)));
    CHECK(fw::answer_setting(settings, 4, body, 5, 0U, reply) == fw::Status::bad_argument);
    CHECK(fw::answer_setting(settings, 3, body, 6, 0U, reply) == fw::Status::bad_argument);
    CHECK(fw::answer_setting(settings, 5, body, 2, 0U, reply) == fw::Status::bad_argument);
    CHECK(fw::answer_setting(settings, 3, nullptr, 2, 0U, reply) == fw::Status::bad_argument);
}
