// How values lie as counts: the nearest count, saturation, "no value". Expected counts are worked out by hand
// from value = offset + scale * count and the rule for "no value" of the layout text.
#include <math.h>

#include <fifthwheel/packed.hpp>

#include "vendor/doctest.h"

namespace {

template <typename CountType, typename ValueType>
struct Whole {
    using Count = CountType;
    using Value = ValueType;
    static constexpr Value scale = 1;
    static constexpr Value offset = 0;
};

struct Force {
    using Count = int16_t;
    using Value = float;
    static constexpr Value scale = 0.005F;
    static constexpr Value offset = 0.0F;
};

struct Falling {
    using Count = uint8_t;
    using Value = double;
    static constexpr Value scale = -0.5;
    static constexpr Value offset = 10.0;
};

using fifthwheel::Counts;
using fifthwheel::decode;
using fifthwheel::encode;

template <typename Count, typename Value>
void check_ends(Count least, Count most, Count missing) {
    using Channel = Whole<Count, Value>;
    CHECK(Counts<Count>::least() == least);
    CHECK(Counts<Count>::most() == most);
    CHECK(Counts<Count>::missing() == missing);
    CHECK(encode<Channel>(Value(INFINITY)) == most);
    CHECK(encode<Channel>(-Value(INFINITY)) == least);
    CHECK(encode<Channel>(Value(1e30F)) == most);
    CHECK(encode<Channel>(Value(-1e30F)) == least);
    CHECK(encode<Channel>(Value(NAN)) == missing);
    CHECK(isnan(decode<Channel>(missing)));
    CHECK(encode<Channel>(Value(most)) == most);
    CHECK(encode<Channel>(Value(least)) == least);
}

}  // namespace

TEST_CASE("the outermost counts of every type are values, the one beyond is none") {
    check_ends<uint8_t, float>(0, 254, 255);
    check_ends<int8_t, float>(-127, 127, -128);
    check_ends<uint16_t, float>(0, 65534, 65535);
    check_ends<int16_t, float>(-32767, 32767, -32768);
    check_ends<uint32_t, double>(0, 4294967294U, 4294967295U);
    check_ends<int32_t, double>(-2147483647, 2147483647, -2147483647 - 1);
    check_ends<uint64_t, double>(0, 0xFFFFFFFFFFFFFFFEULL, 0xFFFFFFFFFFFFFFFFULL);
    check_ends<int64_t, double>(-INT64_MAX, INT64_MAX, INT64_MIN);
}

TEST_CASE("the same holds where the value is too narrow for the counts") {
    using Wide = Whole<uint32_t, float>;
    CHECK(encode<Wide>(4294967296.0F) == 4294967294U);
    CHECK(encode<Wide>(4294967040.0F) == 4294967040U);  // the next smaller single-precision number
    using Signed = Whole<int64_t, float>;
    CHECK(encode<Signed>(9223372036854775808.0F) == INT64_MAX);
    CHECK(encode<Signed>(-9223372036854775808.0F) == -INT64_MAX);
}

TEST_CASE("a value becomes the nearest count, halves away from zero") {
    using I = Whole<int8_t, double>;
    CHECK(encode<I>(2.49) == 2);
    CHECK(encode<I>(2.5) == 3);
    CHECK(encode<I>(-2.5) == -3);
    CHECK(encode<I>(-2.49) == -2);
    CHECK(encode<I>(0.49999999999999994) == 0);  // adding a half would round it up
    CHECK(encode<I>(126.5) == 127);
    CHECK(encode<I>(-126.5) == -127);
    CHECK(encode<Force>(9.80665F) == 1961);
    CHECK(decode<Force>(1961) == doctest::Approx(9.805));
}

TEST_CASE("a negative scale turns the ends round") {
    CHECK(encode<Falling>(10.0) == 0);
    CHECK(encode<Falling>(9.5) == 1);
    CHECK(encode<Falling>(11.0) == 0);
    CHECK(encode<Falling>(-117.0) == 254);
    CHECK(encode<Falling>(-1000.0) == 254);
    CHECK(decode<Falling>(254) == -117.0);
}

TEST_CASE("a floating number goes through, with its not-a-number") {
    using F = Whole<float, float>;
    CHECK(encode<F>(1.25F) == 1.25F);
    CHECK(isnan(encode<F>(NAN)));
    CHECK(isnan(decode<F>(NAN)));
}

TEST_CASE("counts are known to the compiler") {
    static_assert(encode<Force>(1.0F) == 200);
    static_assert(decode<Falling>(1) == 9.5);
}
