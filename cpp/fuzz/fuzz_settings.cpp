// Stored images of settings and messages about them: whatever the bytes, every value stays within its limits
// and every change is recorded.
#include <fifthwheel/settings.hpp>

#include "crc_mutator.hpp"

namespace fw = fifthwheel;

namespace {

inline constexpr fw::Setting table[] = {
    {1, "slip_target", "1", 0.0F, 0.3F, 0.12F},
    {7, "top_speed", "m/s", 0.0F, 50.0F, 30.0F},
    {300, "steer_trim", "rad", -0.2F, 0.2F, 0.0F},
};
using Of = fw::Settings<table>;

// Two slots that hold the two halves of the input.
struct Slots {
    const uint8_t* data;
    size_t half;
    size_t size;
    uint8_t saved[2][Of::image_size] = {};
    size_t read(int slot, uint8_t* to, size_t room) const {
        const size_t all = slot == 0 ? half : size - half;
        const size_t n = all < room ? all : room;
        fw::copy_bytes(to, data + (slot == 0 ? 0 : half), n);
        return n;
    }
    fw::Status write(int slot, const uint8_t* bytes, size_t n) {
        fuzz::must(n == Of::image_size && (slot == 0 || slot == 1));
        fw::copy_bytes(saved[slot], bytes, n);
        return fw::Status::ok;
    }
};

size_t repair_image(uint8_t* image, size_t size) {
    if (size < Of::head + 4) return size;
    fw::put_u32(image, 0x54455353U);
    fw::put_u16(image + 4, Of::version);
    const size_t fits = (size - Of::head - 4) / Of::each;
    if (fw::get_u16(image + 6) > fits) fw::put_u16(image + 6, uint16_t(fits));
    const size_t used = Of::head + fw::get_u16(image + 6) * Of::each;
    fw::put_u32(image + used, fw::crc32(image, used));
    return size;
}

size_t repair(uint8_t* data, size_t size) {
    repair_image(data, size / 2);
    repair_image(data + size / 2, size - size / 2);
    return size;
}

// The changes since `values` was true lead to what is in force, each within limits.
void check(Of& settings, float (&values)[Of::count]) {
    fw::SettingChange change{};
    while (settings.changed(change)) {
        const int k = fw::setting_index(table, change.setting);
        fuzz::must(k >= 0 && change.before == values[k]);
        values[k] = change.after;
    }
    for (int k = 0; k < Of::count; ++k) {
        float value = 0.0F;
        fuzz::must(settings.read(table[k].id, value) == fw::Status::ok);
        fuzz::must(value == values[k] && value >= table[k].low && value <= table[k].high);
    }
}

}  // namespace

FIFTHWHEEL_REPAIRING_MUTATOR(repair)

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
    Of settings(1);
    float values[Of::count] = {0.12F, 30.0F, 0.0F};
    Slots slots{data, size / 2, size};
    const fw::SettingsLoaded loaded = settings.load<512>(slots, 5U);
    fuzz::must(loaded.kept >= 0 && loaded.refused >= 0 && loaded.strange >= 0);
    check(settings, values);
    // The same bytes once more, as messages of the link.
    fuzz::Bytes bytes(data, size);
    while (bytes.left() > 0) {
        const uint8_t type = bytes.u8();
        uint8_t body[8];
        const size_t length = bytes.u8() % 8U;
        for (size_t k = 0; k < length; ++k) body[k] = bytes.u8();
        uint8_t reply[fw::setting_reply_size];
        const fw::Status status = fw::answer_setting(settings, type, body, length, 9U, reply);
        fuzz::must(status == fw::Status::ok || status == fw::Status::bad_argument);
        check(settings, values);
    }
    fuzz::must(settings.save(slots) == fw::Status::ok);
    return 0;
}
