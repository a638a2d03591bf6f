// The failsafe under any description, any times and any commands: what is asked for passes only while every
// input is fresh and the description is sound, and values stay within limits.
#include <fifthwheel/failsafe.hpp>

#include "crc_mutator.hpp"

namespace fw = fifthwheel;

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
    fuzz::Bytes bytes(data, size);
    fw::FailsafeActuator a{};
    fw::FailsafeInput inputs[2] = {{fw::Trouble::radio_loss, 1000U}, {fw::Trouble::stale_data, 500U}};
    for (auto& state : a.on) state = fw::SafeState(bytes.u8() % 5U);
    const bool usual = bytes.u8() % 4U != 0U;
    a.low = usual ? -1.0F : bytes.f32();
    a.high = usual ? 1.0F : bytes.f32();
    a.neutral = usual ? 0.0F : bytes.f32();
    a.brake = usual ? -0.5F : bytes.f32();
    a.rate = usual ? float(bytes.u8()) : bytes.f32();
    a.good_for = usual ? 2000U : bytes.u32();
    a.needs_zero = bytes.u8() % 2U != 0U;
    a.zero = usual ? 0.1F : bytes.f32();
    a.moves = bytes.u8() % 2U != 0U;
    fw::Failsafe<2> failsafe(a, inputs, fw::Trouble(3 + bytes.u8() % 2));
    const bool sound = fw::failsafe_sound(a, inputs);
    uint64_t now = bytes.u32();
    while (bytes.left() > 0) {
        const uint8_t what = bytes.u8();
        const uint64_t step = bytes.u16();
        now = (what & 1U) != 0U && step < now ? now - step : now + step * ((what & 2U) != 0U ? 1000000U : 1U);
        const uint64_t late = bytes.u16() % 2048U;
        const uint64_t made[2] = {(what & 4U) != 0U ? now + late
                                  : now > late      ? now - late
                                                    : 0U,
                                  (what & 8U) != 0U ? now : uint64_t(bytes.u16())};
        const bool brown_out = (what & 16U) != 0U;
        const float asked = (what & 32U) != 0U ? bytes.f32() : float(what & 7U) * 0.1F;
        const fw::FailsafeOutput out = failsafe.command(asked, now, made, brown_out);
        if (!out.safe) {
            fuzz::must(sound && !brown_out && fw::is_finite(asked) && out.powered);
            for (int k = 0; k < 2; ++k)
                fuzz::must(made[k] != 0U && (made[k] > now || now - made[k] <= inputs[k].oldest));
        }
        if (sound) fuzz::must(out.value >= a.low && out.value <= a.high);
        if (!sound) fuzz::must(out.safe && !out.powered);
    }
    return 0;
}
