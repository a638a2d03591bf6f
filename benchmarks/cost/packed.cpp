// Packing and unpacking a value whose cost is counted.
#include <fifthwheel/packed.hpp>

namespace {
struct accel_x {
    using Count = int16_t;
    using Value = float;
    static constexpr Value scale = 0.005F;
    static constexpr Value offset = 0.0F;
};
volatile float value = 3.21F;
volatile int16_t count = 0;
}  // namespace

extern "C" {
void cost_packed_encode() { count = fifthwheel::encode<accel_x>(value); }
void cost_packed_decode() { value = fifthwheel::decode<accel_x>(count); }
}
