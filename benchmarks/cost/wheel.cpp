// Calls of wheel.hpp whose cost is counted: a wheel at 200 rad/s read every millisecond.
#include <fifthwheel/wheel.hpp>

namespace {
fifthwheel::WheelSpeed<float> wheel(fifthwheel::WheelOptions<float>{});
fifthwheel::EncoderFrames frames;
uint32_t counts = 0;
uint32_t now = 0;
uint16_t angle = 0;
volatile float sink = 0.0F;
volatile bool good = false;
}  // namespace

extern "C" {
void cost_wheel_update() {
    counts = (counts + 521U) & 16383U;
    now += 1000U;
    good = wheel.update(counts, now) == fifthwheel::Status::ok;
}
void cost_wheel_distance() { sink = wheel.distance(0.031F); }
void cost_encoder_take() {
    sink = float(frames.command());
    good = frames.take(0x1235U, angle) == fifthwheel::Status::ok;
}
}
