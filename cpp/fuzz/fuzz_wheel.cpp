// Frames of an encoder and readings of an angle: whatever the bytes, only whole frames give angles, speed is
// a number within its limits, and counts add up.
#include <fifthwheel/wheel.hpp>

#include "crc_mutator.hpp"

namespace fw = fifthwheel;

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
    fuzz::Bytes bytes(data, size);
    fw::WheelOptions<float> options;
    const uint8_t kind = bytes.u8();
    if ((kind & 1U) != 0U) options.threshold = bytes.f32();
    if ((kind & 2U) != 0U) options.timeout = bytes.f32();
    if ((kind & 4U) != 0U) options.largest_speed = bytes.f32();
    if ((kind & 8U) != 0U) options.largest_acceleration = bytes.f32();
    if ((kind & 16U) != 0U) options.filter = bytes.f32();
    if ((kind & 32U) != 0U) options.bits = bytes.u8();
    if ((kind & 64U) != 0U) options.doubt = bytes.u8();
    fw::WheelSpeed<float> wheel(options);
    fw::EncoderFrames frames;
    const bool usual = (kind & 31U) == 0U;
    uint32_t now = 0;
    while (bytes.left() > 0) {
        fuzz::must(fw::even_ones(frames.command()));
        uint16_t angle = 0xFFFFU;
        const uint16_t frame = bytes.u16();
        const fw::Status status = frames.take(frame, angle);
        fuzz::must((status == fw::Status::ok) == (angle != 0xFFFFU));
        fuzz::must(status != fw::Status::ok || (fw::even_ones(frame) && (frame & fw::encoder_flag) == 0U));
        now += uint32_t(bytes.u16()) * (bytes.u8() == 255U ? 60000U : 1U);
        const int64_t before = wheel.turned();
        const fw::Status taken = wheel.update(uint32_t(frame & fw::encoder_data), now);
        const int64_t step = wheel.turned() - before;
        fuzz::must(taken == fw::Status::ok || step == 0);
        if (usual) {
            const float speed = wheel.speed();
            // Also where a reading comes a microsecond after the last, or a count is an eighth of a turn.
            fuzz::must(speed <= options.largest_speed && speed >= -options.largest_speed);
            fuzz::must(wheel.delay() >= 0.0F && wheel.distance(0.031) - wheel.distance(0.031) == 0.0);
        }
    }
    return 0;
}
