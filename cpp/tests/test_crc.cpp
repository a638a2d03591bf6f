// CRC-32 against the catalogue and zlib (vectors/crc.txt), and bytes in memory against their definition.
#include <cmath>
#include <fifthwheel/bytes.hpp>
#include <fifthwheel/crc.hpp>
#include <limits>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

TEST_CASE("CRC-32 has the values of the catalogue and of zlib") {
    const Vectors v("crc.txt");
    for (const char* name : {"check", "empty", "zero", "ones", "long"}) {
        const auto& row = v.at(name);
        std::vector<uint8_t> bytes(row.begin(), row.end() - 1);
        const auto expected = uint32_t(row.back());
        CHECK(fw::crc32(bytes.data(), bytes.size()) == expected);
        CHECK(fw::crc32_by<1>(bytes.data(), bytes.size(), 0) == expected);
        CHECK(fw::crc32_by<16>(bytes.data(), bytes.size(), 0) == expected);
    }
}

TEST_CASE("a CRC goes on where it was left, wherever the bytes are cut") {
    const Vectors v("crc.txt");
    const auto& row = v.at("long");
    std::vector<uint8_t> bytes(row.begin(), row.end() - 1);
    for (size_t cut = 0; cut <= bytes.size(); ++cut) {
        const uint32_t first = fw::crc32(bytes.data(), cut);
        CHECK(fw::crc32(bytes.data() + cut, bytes.size() - cut, first) == uint32_t(row.back()));
    }
}

TEST_CASE("bytes and their CRC together leave the residue, so one wrong bit anywhere is seen") {
    // The residue of the catalogue is DEBB20E3 before the last inversion: 2144DF1C after it.
    const Vectors v("crc.txt");
    const auto& row = v.at("long");
    std::vector<uint8_t> bytes(row.begin(), row.end() - 1);
    bytes.resize(bytes.size() + 4);
    fw::put_u32(bytes.data() + bytes.size() - 4, uint32_t(row.back()));
    CHECK(fw::crc32(bytes.data(), bytes.size()) == 0x2144DF1CU);
    for (size_t bit = 0; bit < 8 * bytes.size(); ++bit) {
        bytes[bit / 8] = uint8_t(bytes[bit / 8] ^ (1U << (bit % 8)));
        CHECK(fw::crc32(bytes.data(), bytes.size()) != 0x2144DF1CU);
        bytes[bit / 8] = uint8_t(bytes[bit / 8] ^ (1U << (bit % 8)));
    }
}

TEST_CASE("numbers lie in memory least significant byte first, aligned or not") {
    uint8_t memory[9] = {};
    for (size_t at : {size_t(0), size_t(1)}) {
        uint8_t* p = memory + at;
        fw::put_u16(p, 0x1234U);
        CHECK((p[0] == 0x34 && p[1] == 0x12));
        CHECK(fw::get_u16(p) == 0x1234U);
        fw::put_u32(p, 0x89ABCDEFU);
        CHECK((p[0] == 0xEF && p[1] == 0xCD && p[2] == 0xAB && p[3] == 0x89));
        CHECK(fw::get_u32(p) == 0x89ABCDEFU);
        fw::put_u64(p, 0x0123456789ABCDEFULL);
        for (int k = 0; k < 8; ++k) CHECK(p[k] == uint8_t(0x0123456789ABCDEFULL >> (8 * k)));
        CHECK(fw::get_u64(p) == 0x0123456789ABCDEFULL);
        fw::put_f32(p, -0.15625F);  // 0xBE200000: sign 1, exponent 124, fraction 0.25 (IEEE 754 binary32)
        CHECK(fw::get_u32(p) == 0xBE200000U);
        CHECK(fw::get_f32(p) == -0.15625F);
        fw::put_f64(p, 1.0);  // 0x3FF0000000000000
        CHECK(fw::get_u64(p) == 0x3FF0000000000000ULL);
        CHECK(fw::get_f64(p) == 1.0);
        fw::put_f32(p, std::numeric_limits<float>::quiet_NaN());
        CHECK(std::isnan(fw::get_f32(p)));
    }
}
