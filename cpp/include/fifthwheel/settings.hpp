// Named values that are changed in the field: checked, kept through power cuts, every change recorded.
//
// A constant table (generated from car.toml) says what there is. Values are read by any task without waiting;
// one task changes them (the one that serves the link). A change that is out of range, not finite or unknown
// is refused and alters nothing; so is one that the recorder could not record. The recorder drains changed().
//
// Stored image: two slots, written in turn, so that a power cut while one is written leaves the other whole.
// Each value is stored with a mark of what it means (name and unit), so that after a change of car.toml those
// that still mean the same are kept, and the others are told.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/bytes.hpp>
#include <fifthwheel/crc.hpp>
#include <fifthwheel/status.hpp>

namespace fifthwheel {

// One named value. id: as in the layout. unit: SI, "1" for none. low <= initial <= high.
struct Setting {
    uint16_t id;
    const char* name;
    const char* unit;
    float low;
    float high;
    float initial;
};

// Who changed a setting. The numbers are logged.
enum class SettingSource : uint8_t { link = 0, stored = 1, program = 2, reset = 3 };

// One change, as it is recorded. time: the low 32 bits of the board's microseconds.
struct SettingChange {
    uint32_t time;
    uint16_t setting;
    float before;
    float after;
    SettingSource source;
};

// What came of reading the stored image.
struct SettingsLoaded {
    int kept = 0;       // values taken from the image
    int refused = 0;    // values in it that are out of range, not finite, or could not be recorded
    int strange = 0;    // values in it that this table does not have, or that mean something else here
    int bad_slots = 0;  // slots that hold something that is not whole
    bool same_layout = false;
};

// True when x lies in [low, high]; never of not-a-number.
constexpr bool inside(float x, float low, float high) { return x >= low && x <= high; }

// Index of `id` in a table, -1 when it is not there.
template <size_t N>
constexpr int setting_index(const Setting (&table)[N], uint16_t id) {
    for (size_t k = 0; k < N; ++k) {
        if (table[k].id == id) return int(k);
    }
    return -1;
}

// True when ids differ, names are there, limits are finite and each initial value lies within them.
template <size_t N>
constexpr bool settings_sound(const Setting (&table)[N]) {
    for (size_t k = 0; k < N; ++k) {
        const Setting& s = table[k];
        if (setting_index(table, s.id) != int(k) || s.name == nullptr || s.unit == nullptr) return false;
        if (!(s.high - s.low >= 0.0F) || !(s.high - s.high == 0.0F) || !(s.low - s.low == 0.0F)) return false;
        if (!inside(s.initial, s.low, s.high)) return false;
    }
    return true;
}

constexpr size_t setting_text_length(const char* text) {
    size_t n = 0;
    while (text[n] != '\0') ++n;
    return n;
}

// The values of the settings of `Table`, an array of Setting in namespace scope. `Queue`: changes that wait
// for the recorder; at least as many as there are settings, so that all those of a stored image fit.
template <const auto& Table, int Queue = int(sizeof(Table) / sizeof(Setting)) + 8>
class Settings {
  public:
    static constexpr int count = int(sizeof(Table) / sizeof(Setting));
    static constexpr uint16_t version = 1;
    static constexpr size_t head =
        24;  // magic u32, version u16, count u16, sequence u32, layout u64, spare u32
    static constexpr size_t each = 10;  // id u16, mark u32, value f32
    static constexpr size_t image_size = head + size_t(count) * each + 4;
    static_assert(settings_sound(Table), "ids apart, finite limits, each initial value within its limits");
    static_assert(Queue >= count, "room to record every setting of a stored image");
    static_assert(__atomic_always_lock_free(sizeof(uint32_t), nullptr), "needs words without a lock");

    explicit Settings(uint64_t layout_hash) : layout_(layout_hash) {
        for (int k = 0; k < count; ++k) put(k, Table[k].initial);
    }
    Settings(const Settings&) = delete;
    Settings& operator=(const Settings&) = delete;

    // The value of setting `id`; that it exists is checked by the compiler. From any task.
    template <uint16_t id>
    float get() const {
        constexpr int k = setting_index(Table, id);
        static_assert(k >= 0, "there is no setting of this id");
        return at(k);
    }

    // The value of setting `id` into `value`, which is not touched when it is unknown. From any task.
    Status read(uint16_t id, float& value) const {
        const int k = setting_index(Table, id);
        if (k < 0) return Status::unknown;
        value = at(k);
        return Status::ok;
    }

    // Change a setting. From one task only. Setting the value that is there already is no change.
    Status change(uint16_t id, float value, uint32_t time, SettingSource source) {
        const int k = setting_index(Table, id);
        if (k < 0) return refuse(Status::unknown);
        if (!(value - value == 0.0F)) return refuse(Status::not_finite);
        if (!inside(value, Table[k].low, Table[k].high)) return refuse(Status::out_of_range);
        const float before = at(k);
        if (before == value) return Status::ok;
        const uint32_t put_at = __atomic_load_n(&put_, __ATOMIC_RELAXED);
        const uint32_t taken = __atomic_load_n(&taken_, __ATOMIC_ACQUIRE);
        if (put_at - taken >= uint32_t(Queue)) return refuse(Status::full);
        queue_[put_at % uint32_t(ring)] = SettingChange{time, id, before, value, source};
        put(k, value);
        __atomic_store_n(&put_, put_at + 1U, __ATOMIC_RELEASE);
        return Status::ok;
    }

    // Take the oldest change that is not recorded yet; false when there is none. From one task only, the
    // recorder's.
    bool changed(SettingChange& out) {
        const uint32_t taken = __atomic_load_n(&taken_, __ATOMIC_RELAXED);
        if (__atomic_load_n(&put_, __ATOMIC_ACQUIRE) == taken) return false;
        out = queue_[taken % uint32_t(ring)];
        __atomic_store_n(&taken_, taken + 1U, __ATOMIC_RELEASE);
        return true;
    }

    uint32_t refused() const { return refused_; }  // changes since the start of the board

    // Store all values. `store` has `Status write(int slot, const uint8_t* bytes, size_t size)`; slots 0 and
    // 1 lie apart, so that writing (and erasing) one does not touch the other. Call load() first: it finds
    // the slot that may be overwritten. From one task only; a change that comes meanwhile is in the queue,
    // and in the next image.
    template <typename Store>
    Status save(Store& store) {
        uint8_t image[image_size];
        const uint32_t sequence = sequence_ + 1U;
        write_image(image, sequence);
        const int slot = 1 - newest_;
        const Status status = store.write(slot, image, image_size);
        if (status != Status::ok) return status;
        newest_ = slot;
        sequence_ = sequence;
        return Status::ok;
    }

    // Take over the newest whole image. `store` has `size_t read(int slot, uint8_t* bytes, size_t capacity)`
    // that returns how many bytes the slot gave. `capacity` of the work space: what an image of an earlier,
    // longer table may need. Every value that differs is recorded as a change from `stored`.
    template <size_t capacity = image_size + 1024, typename Store>
    SettingsLoaded load(Store& store, uint32_t time) {
        SettingsLoaded loaded;
        uint8_t image[capacity];
        int best = -1;
        for (int slot = 0; slot < 2; ++slot) {
            size_t size = store.read(slot, image, capacity);
            size = size < capacity ? size : capacity;
            if (!whole(image, size)) {
                loaded.bad_slots += blank(image, size) ? 0 : 1;
                continue;
            }
            const uint32_t sequence = get_u32(image + 8);
            if (best < 0 || int32_t(sequence - sequence_) > 0) {
                best = slot;
                sequence_ = sequence;
            }
        }
        if (best < 0) return loaded;
        newest_ = best;
        size_t size = store.read(best, image, capacity);
        size = size < capacity ? size : capacity;
        if (!whole(image, size)) {
            ++loaded.bad_slots;  // it read whole a moment ago
            return loaded;
        }
        loaded.same_layout = get_u64(image + 12) == layout_;
        const size_t values = get_u16(image + 6);
        for (size_t k = 0; k < values; ++k) take(image + head + k * each, time, loaded);
        return loaded;
    }

    // Set every value to its initial one.
    Status reset(uint32_t time) {
        Status status = Status::ok;
        for (int k = 0; k < count; ++k) {
            const Status one = change(Table[k].id, Table[k].initial, time, SettingSource::reset);
            if (one != Status::ok) status = one;
        }
        return status;
    }

  private:
    static constexpr uint32_t magic = 0x54455353U;  // "SSET"
    // A power of two, so that places go on when the counters wrap.
    static constexpr int power(int n) {
        int p = 1;
        while (p < n) p *= 2;
        return p;
    }
    static constexpr int ring = power(Queue);

    // What a setting means: CRC-32 of its name and unit.
    static uint32_t mark(const Setting& s) {
        const uint32_t name = crc32(s.name, setting_text_length(s.name) + 1);
        return crc32(s.unit, setting_text_length(s.unit) + 1, name);
    }
    static bool blank(const uint8_t* image, size_t size) {
        for (size_t k = 1; k < size; ++k) {
            if (image[k] != image[0]) return false;
        }
        return size == 0 || image[0] == 0xFFU || image[0] == 0U;
    }
    // A slot may give more bytes than were written: its size follows from the count.
    static bool whole(const uint8_t* image, size_t size) {
        if (size < head + 4 || get_u32(image) != magic || get_u16(image + 4) != version) return false;
        const size_t used = head + size_t(get_u16(image + 6)) * each;
        return used + 4 <= size && crc32(image, used) == get_u32(image + used);
    }
    void write_image(uint8_t* image, uint32_t sequence) const {
        put_u32(image, magic);
        put_u16(image + 4, version);
        put_u16(image + 6, uint16_t(count));
        put_u32(image + 8, sequence);
        put_u64(image + 12, layout_);
        put_u32(image + 20, 0U);
        for (int k = 0; k < count; ++k) {
            uint8_t* to = image + head + size_t(k) * each;
            put_u16(to, Table[k].id);
            put_u32(to + 2, mark(Table[k]));
            put_f32(to + 6, at(k));
        }
        put_u32(image + image_size - 4, crc32(image, image_size - 4));
    }
    // Values are found by what they mean: an id may have been given anew.
    void take(const uint8_t* from, uint32_t time, SettingsLoaded& loaded) {
        const uint32_t means = get_u32(from + 2);
        for (int k = 0; k < count; ++k) {
            if (mark(Table[k]) != means) continue;
            const Status status = change(Table[k].id, get_f32(from + 6), time, SettingSource::stored);
            loaded.kept += status == Status::ok ? 1 : 0;
            loaded.refused += status == Status::ok ? 0 : 1;
            return;
        }
        ++loaded.strange;
    }
    Status refuse(Status why) {
        ++refused_;
        return why;
    }
    float at(int k) const {
        const uint32_t bits = __atomic_load_n(&bits_[k], __ATOMIC_RELAXED);
        float value = 0.0F;
        __builtin_memcpy(&value, &bits, sizeof value);
        return value;
    }
    void put(int k, float value) {
        uint32_t bits = 0U;
        __builtin_memcpy(&bits, &value, sizeof bits);
        __atomic_store_n(&bits_[k], bits, __ATOMIC_RELAXED);
    }

    uint64_t layout_;
    uint32_t bits_[count];
    SettingChange queue_[ring];
    uint32_t put_ = 0;
    uint32_t taken_ = 0;
    uint32_t refused_ = 0;
    uint32_t sequence_ = 0;
    int newest_ = 1;  // so that the first image goes to slot 0
};

// The settings of a car that has none: the same calls, and every id is unknown.
class NoSettings {
  public:
    explicit NoSettings(uint64_t) {}
    NoSettings(const NoSettings&) = delete;
    NoSettings& operator=(const NoSettings&) = delete;

    Status read(uint16_t, float&) const { return Status::unknown; }
    Status change(uint16_t, float, uint32_t, SettingSource) {
        ++refused_;
        return Status::unknown;
    }
    bool changed(SettingChange&) { return false; }
    uint32_t refused() const { return refused_; }

    // There is nothing to store or to take over: the store is left alone.
    template <typename Store>
    Status save(Store&) {
        return Status::ok;
    }
    template <typename Store>
    SettingsLoaded load(Store&, uint32_t) {
        return {};
    }

  private:
    uint32_t refused_ = 0;
};

constexpr size_t setting_reply_size = 7;

// Answer a message about a setting (type 3: read, body {id u16}; type 4: write, body {id u16, value f32})
// with the body of a reply {id u16, status u8, value f32}: the value in force after it, not-a-number for an
// unknown id. bad_argument, and no reply, when it is neither or has not its size. settings: Settings or
// NoSettings.
template <typename Values>
Status answer_setting(Values& settings, uint8_t type, const uint8_t* body, size_t size, uint32_t time,
                      uint8_t (&reply)[setting_reply_size]) {
    const bool write = type == 4;
    if (!(type == 3 || write) || body == nullptr || size != (write ? 6U : 2U)) return Status::bad_argument;
    const uint16_t id = get_u16(body);
    Status status = write ? settings.change(id, get_f32(body + 2), time, SettingSource::link) : Status::ok;
    float value = __builtin_nanf("");
    const Status known = settings.read(id, value);
    if (known != Status::ok) status = known;
    put_u16(reply, id);
    reply[2] = uint8_t(status);
    put_f32(reply + 3, value);
    return Status::ok;
}

}  // namespace fifthwheel
