// COBS against the paper and a library of its own (vectors/cobs.txt), and against any bytes at all.
#include <fifthwheel/cobs.hpp>
#include <random>
#include <string>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {

using Bytes = std::vector<uint8_t>;

Bytes row(const Vectors& v, const std::string& name) {
    const auto& numbers = v.at(name);
    return Bytes(numbers.begin(), numbers.end());
}

Bytes encode(const Bytes& in) {
    Bytes out(fw::cobs_bound(in.size()) + 1);
    size_t size = 0;
    REQUIRE(fw::cobs_encode(in.data(), in.size(), out.data(), out.size(), &size) == fw::Status::ok);
    out.resize(size);
    return out;
}

fw::Status decode(const Bytes& in, Bytes* out) {
    out->assign(in.size() + 1, 0xEE);
    size_t size = 0;
    const fw::Status status = fw::cobs_decode(in.data(), in.size(), out->data(), out->size(), &size);
    out->resize(status == fw::Status::ok ? size : 0);
    return status;
}

}  // namespace

TEST_CASE("the examples of the paper and of the library, in both directions") {
    const Vectors v("cobs.txt");
    for (const char* name : {"zero", "two_zeros", "between", "middle", "none", "three_zeros", "empty",
                             "run_254", "zero_run_254", "run_255", "run_zero", "run_253_zero_one", "paper"}) {
        CAPTURE(name);
        const Bytes in = row(v, std::string(name) + "_in");
        const Bytes out = row(v, std::string(name) + "_out");
        CHECK(encode(in) == out);
        Bytes back;
        CHECK(decode(out, &back) == fw::Status::ok);
        CHECK(back == in);
    }
    Bytes back;
    CHECK(decode(row(v, "trap_out"), &back) == fw::Status::ok);
    CHECK(back == row(v, "run_254_in"));
}

TEST_CASE("the bound of the paper is kept, and reached by bytes without a zero") {
    const Vectors v("cobs.txt");
    for (size_t k = 0; k < v.at("bound_in").size(); ++k) {
        const auto size = size_t(v.at("bound_in")[k]);
        CHECK(fw::cobs_bound(size) == size_t(v.at("bound_out")[k]));
        CHECK(encode(Bytes(size, 1)).size() == size_t(v.at("bound_out")[k]));
    }
    CHECK(fw::cobs_bound(0) == 1);
}

TEST_CASE("any bytes come back, and no zero is among those sent") {
    std::mt19937 random(1);
    for (int k = 0; k < 4000; ++k) {
        Bytes in(random() % 700);
        const uint32_t zeros = random() % 300;  // from none to very many
        for (auto& byte : in) byte = random() % 300 < zeros ? 0 : uint8_t(random());
        const Bytes out = encode(in);
        CHECK(out.size() <= fw::cobs_bound(in.size()));
        for (uint8_t byte : out) REQUIRE(byte != 0);
        Bytes back;
        REQUIRE(decode(out, &back) == fw::Status::ok);
        REQUIRE(back == in);
    }
}

TEST_CASE("what no encoder wrote is refused, and a small buffer is not overrun") {
    Bytes back;
    CHECK(decode({}, &back) == fw::Status::bad_checksum);
    CHECK(decode({0}, &back) == fw::Status::bad_checksum);
    CHECK(decode({3, 1}, &back) == fw::Status::bad_checksum);
    CHECK(decode({3, 1, 0}, &back) == fw::Status::bad_checksum);
    CHECK(decode({5, 1, 1, 1}, &back) == fw::Status::bad_checksum);
    const Bytes in(300, 7);
    for (size_t room = 0; room < 303; ++room) {
        Bytes out(303, 0xEE);
        size_t size = 0;
        const fw::Status status = fw::cobs_encode(in.data(), in.size(), out.data(), room, &size);
        CHECK(status == (room < 302 ? fw::Status::too_small : fw::Status::ok));
        CHECK(size == 302);
        for (size_t k = room; k < out.size(); ++k) REQUIRE(out[k] == 0xEE);
    }
    const Bytes sent = encode(in);
    for (size_t room = 0; room < 302; ++room) {
        Bytes out(302, 0xEE);
        size_t size = 0;
        const fw::Status status = fw::cobs_decode(sent.data(), sent.size(), out.data(), room, &size);
        CHECK(status == (room < 300 ? fw::Status::too_small : fw::Status::ok));
        for (size_t k = room; k < out.size(); ++k) REQUIRE(out[k] == 0xEE);
    }
    size_t size = 0;
    uint8_t byte = 1;
    CHECK(fw::cobs_encode(nullptr, 1, &byte, 1, &size) == fw::Status::bad_argument);
    CHECK(fw::cobs_decode(&byte, 1, nullptr, 1, &size) == fw::Status::bad_argument);
}
