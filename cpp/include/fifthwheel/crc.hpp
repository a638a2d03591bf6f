// CRC-32 as in ISO/IEC 13239 (HDLC), IEEE 802.3 and zlib: polynomial 04C11DB7, reflected, start and end
// inverted.
//
// One table of 256 words (1 KiB of flash) and a look-up a byte on a microcontroller. Where addresses are 64
// bits wide, sixteen tables and sixteen bytes a step: independent look-ups, so they overlap (M. Kounavis, F.
// Berry, "A systematic approach to building high performance software-based CRC generators", ISCC 2005).
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/bytes.hpp>

namespace fifthwheel {

constexpr uint32_t crc32_polynomial = 0xEDB88320U;  // 04C11DB7 with its bits in reverse

// CRC of any bytes followed by their own CRC, least significant byte first.
constexpr uint32_t crc32_residue = 0x2144DF1CU;

// Row k: what a byte does to the register when k more bytes follow it.
template <size_t rows>
struct CrcTables {
    uint32_t row[rows][256];
};

template <size_t rows>
constexpr CrcTables<rows> make_crc_tables() {
    static_assert(rows >= 1, "one table at least");
    CrcTables<rows> tables{};
    for (uint32_t byte = 0; byte < 256U; ++byte) {
        uint32_t x = byte;
        for (int bit = 0; bit < 8; ++bit) x = (x >> 1) ^ ((x & 1U) != 0U ? crc32_polynomial : 0U);
        tables.row[0][byte] = x;
    }
    for (size_t k = 1; k < rows; ++k) {
        for (size_t byte = 0; byte < 256U; ++byte) {
            const uint32_t x = tables.row[k - 1][byte];
            tables.row[k][byte] = (x >> 8) ^ tables.row[0][x & 0xFFU];
        }
    }
    return tables;
}

constexpr size_t crc32_rows = sizeof(void*) >= 8 ? 16 : 1;

template <size_t rows>
inline constexpr CrcTables<rows> crc32_tables = make_crc_tables<rows>();

// CRC-32 of bytes, with `rows` tables (1 or 16). `running` is that of the bytes before: crc32(b, n, crc32(a,
// m)) is the CRC of a and b together.
template <size_t rows>
inline uint32_t crc32_by(const void* data, size_t size, uint32_t running) {
    static_assert(rows == 1 || rows == 16, "a byte or sixteen bytes a step");
    const auto& t = crc32_tables<rows>.row;
    const auto* p = static_cast<const uint8_t*>(data);
    uint32_t x = ~running;
    if constexpr (rows == 16) {
        for (; size >= 16; size -= 16, p += 16) {
            const uint32_t a = get_u32(p) ^ x;
            const uint32_t b = get_u32(p + 4);
            const uint32_t c = get_u32(p + 8);
            const uint32_t d = get_u32(p + 12);
            x = t[15][a & 0xFFU] ^ t[14][(a >> 8) & 0xFFU] ^ t[13][(a >> 16) & 0xFFU] ^ t[12][a >> 24] ^
                t[11][b & 0xFFU] ^ t[10][(b >> 8) & 0xFFU] ^ t[9][(b >> 16) & 0xFFU] ^ t[8][b >> 24] ^
                t[7][c & 0xFFU] ^ t[6][(c >> 8) & 0xFFU] ^ t[5][(c >> 16) & 0xFFU] ^ t[4][c >> 24] ^
                t[3][d & 0xFFU] ^ t[2][(d >> 8) & 0xFFU] ^ t[1][(d >> 16) & 0xFFU] ^ t[0][d >> 24];
        }
    }
    for (; size > 0; --size, ++p) x = (x >> 8) ^ t[0][(x ^ *p) & 0xFFU];
    return ~x;
}

inline uint32_t crc32(const void* data, size_t size, uint32_t running = 0) {
    return crc32_by<crc32_rows>(data, size, running);
}

}  // namespace fifthwheel
