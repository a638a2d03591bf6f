// What the fuzzers share: a mutator that repairs the check value after each mutation, so that what lies
// behind the check is reached, and a reader that hands out the fuzzer's bytes.
//
// A fuzzer defines `size_t repair(uint8_t* data, size_t size)`, which puts the right CRC-32 wherever its
// decoder expects one and returns the size, and says FIFTHWHEEL_REPAIRING_MUTATOR(repair). One mutation in
// four stays as it came: the check itself is tried as well.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/bytes.hpp>
#include <fifthwheel/crc.hpp>

extern "C" size_t LLVMFuzzerMutate(uint8_t* data, size_t size, size_t room);

namespace fuzz {

// Put the CRC-32 of all but the last four bytes there.
inline size_t repair_tail(uint8_t* data, size_t size) {
    if (size >= 4) fifthwheel::put_u32(data + size - 4, fifthwheel::crc32(data, size - 4));
    return size;
}

template <typename Repair>
size_t mutate(uint8_t* data, size_t size, size_t room, unsigned seed, Repair repair) {
    const size_t mutated = LLVMFuzzerMutate(data, size, room);
    return seed % 4U == 0U ? mutated : repair(data, mutated);
}

// Hands out bytes of the input; zeros when they are used up.
class Bytes {
  public:
    Bytes(const uint8_t* data, size_t size) : data_(data), left_(size) {}
    size_t left() const { return left_; }
    uint8_t u8() {
        if (left_ == 0) return 0;
        --left_;
        return *data_++;
    }
    uint16_t u16() { return uint16_t(u8() | u8() << 8); }
    uint32_t u32() { return uint32_t(u16()) | uint32_t(u16()) << 16; }
    float f32() {
        const uint32_t bits = u32();
        float x = 0.0F;
        __builtin_memcpy(&x, &bits, sizeof x);
        return x;
    }

  private:
    const uint8_t* data_;
    size_t left_;
};

// What must never be: the fuzzer stops here and keeps the input.
inline void must(bool good) {
    if (!good) __builtin_trap();
}

}  // namespace fuzz

#define FIFTHWHEEL_REPAIRING_MUTATOR(repair)                                                            \
    extern "C" size_t LLVMFuzzerCustomMutator(uint8_t* data, size_t size, size_t room, unsigned seed) { \
        return fuzz::mutate(data, size, room, seed, repair);                                            \
    }
