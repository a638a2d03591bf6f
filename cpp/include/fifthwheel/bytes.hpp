// Whole numbers and floats in memory that need not be aligned, little-endian on every target.
//
// Shifts say the byte order whatever the target's is; compilers make one load or store of them where it
// allows that.
#pragma once

#include <stddef.h>
#include <stdint.h>

namespace fifthwheel {

inline void put_u16(uint8_t* to, uint16_t x) {
    to[0] = uint8_t(x);
    to[1] = uint8_t(x >> 8);
}

inline void put_u32(uint8_t* to, uint32_t x) {
    to[0] = uint8_t(x);
    to[1] = uint8_t(x >> 8);
    to[2] = uint8_t(x >> 16);
    to[3] = uint8_t(x >> 24);
}

inline void put_u64(uint8_t* to, uint64_t x) {
    put_u32(to, uint32_t(x));
    put_u32(to + 4, uint32_t(x >> 32));
}

constexpr uint16_t get_u16(const uint8_t* from) {
    return uint16_t(uint32_t(from[0]) | (uint32_t(from[1]) << 8));
}

constexpr uint32_t get_u32(const uint8_t* from) {
    return uint32_t(from[0]) | (uint32_t(from[1]) << 8) | (uint32_t(from[2]) << 16) |
           (uint32_t(from[3]) << 24);
}

constexpr uint64_t get_u64(const uint8_t* from) {
    return uint64_t(get_u32(from)) | (uint64_t(get_u32(from + 4)) << 32);
}

inline void copy_bytes(uint8_t* to, const uint8_t* from, size_t count) {
    if (count > 0) __builtin_memcpy(to, from, count);
}

// Floats by their bits (IEEE 754), through memory: no other way is defined in C++17.
inline void put_f32(uint8_t* to, float x) {
    static_assert(sizeof(float) == 4, "IEEE 754 binary32");
    uint32_t bits = 0;
    __builtin_memcpy(&bits, &x, sizeof bits);
    put_u32(to, bits);
}

inline void put_f64(uint8_t* to, double x) {
    static_assert(sizeof(double) == 8, "IEEE 754 binary64");
    uint64_t bits = 0;
    __builtin_memcpy(&bits, &x, sizeof bits);
    put_u64(to, bits);
}

inline float get_f32(const uint8_t* from) {
    const uint32_t bits = get_u32(from);
    float x = 0.0F;
    __builtin_memcpy(&x, &bits, sizeof x);
    return x;
}

inline double get_f64(const uint8_t* from) {
    const uint64_t bits = get_u64(from);
    double x = 0.0;
    __builtin_memcpy(&x, &bits, sizeof x);
    return x;
}

}  // namespace fifthwheel
