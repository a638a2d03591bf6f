// Calls of settings.hpp whose cost is counted: 16 settings, the one in the middle changed.
#include <fifthwheel/settings.hpp>

namespace fw = fifthwheel;

namespace {
inline constexpr fw::Setting table[] = {
    {0, "a", "1", 0.0F, 1.0F, 0.5F},  {1, "b", "1", 0.0F, 1.0F, 0.5F},  {2, "c", "1", 0.0F, 1.0F, 0.5F},
    {3, "d", "1", 0.0F, 1.0F, 0.5F},  {4, "e", "1", 0.0F, 1.0F, 0.5F},  {5, "f", "1", 0.0F, 1.0F, 0.5F},
    {6, "g", "1", 0.0F, 1.0F, 0.5F},  {7, "h", "1", 0.0F, 1.0F, 0.5F},  {8, "i", "1", 0.0F, 1.0F, 0.5F},
    {9, "j", "1", 0.0F, 1.0F, 0.5F},  {10, "k", "1", 0.0F, 1.0F, 0.5F}, {11, "l", "1", 0.0F, 1.0F, 0.5F},
    {12, "m", "1", 0.0F, 1.0F, 0.5F}, {13, "n", "1", 0.0F, 1.0F, 0.5F}, {14, "o", "1", 0.0F, 1.0F, 0.5F},
    {15, "p", "1", 0.0F, 1.0F, 0.5F},
};
struct Memory {
    uint8_t slot[2][256];
    fw::Status write(int k, const uint8_t* bytes, size_t size) {
        fw::copy_bytes(slot[k], bytes, size);
        return fw::Status::ok;
    }
    size_t read(int k, uint8_t* bytes, size_t capacity) const {
        const size_t n = sizeof slot[k] < capacity ? sizeof slot[k] : capacity;
        fw::copy_bytes(bytes, slot[k], n);
        return n;
    }
};
fw::Settings<table> settings(1);
Memory memory{};
float wanted = 0.5F;
volatile float sink = 0.0F;
volatile bool good = false;
}  // namespace

extern "C" {
void cost_settings_get() { sink = settings.get<8>(); }
void cost_settings_change_and_record() {
    wanted = wanted == 0.5F ? 0.25F : 0.5F;
    good = settings.change(8, wanted, 1U, fw::SettingSource::link) == fw::Status::ok;
    fw::SettingChange change{};
    good = settings.changed(change);
}
void cost_settings_answer_read() {
    const uint8_t body[2] = {8, 0};
    uint8_t reply[fw::setting_reply_size];
    good = fw::answer_setting(settings, 3, body, 2, 1U, reply) == fw::Status::ok;
    sink = reply[3];
}
void cost_settings_save() { good = settings.save(memory) == fw::Status::ok; }
void cost_settings_load() { sink = float(settings.load<512>(memory, 1U).kept); }
}
