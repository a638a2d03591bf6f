// The latest value of something, shared between tasks and cores without a lock: one writer, a stated number
// of readers, each in a task of its own. Nobody ever waits: a reader that interrupts the writer on its own
// core gets the last whole value, where a sequence lock would spin forever.
//
// Algorithm: J. Chen and A. Burns, "Asynchronous Data Sharing in Multiprocessor Real-Time Systems Using
// Process Consensus", 10th Euromicro Workshop on Real-Time Systems, 1998 (from memory). There are two slots
// more than readers. The writer fills a slot that is neither the latest nor held by a reader, declares it
// the latest, and offers it to every reader that is just choosing. A reader clears its hold, looks which slot
// is the latest and tries to hold it; it reads the slot that it then holds, its own choice or the writer's
// offer, whichever came first.
//
// Why no value is torn: the writer never fills the latest slot nor one that it sees held. It can miss a hold
// only while that reader is choosing. Such a reader saw as latest either the slot that still is (never
// filled) or the one before; but every write ends by offering its slot to readers that are choosing, before
// the next write looks for a free slot, so a late choice of the one before loses against the offer. The order
// "clear the hold, then look at the latest" against "declare the latest, then look at the hold" needs
// sequential consistency, which the control words have.
//
// Bounds, W words of 32 bits and R readers: a read is 4 operations on control words and W + 1 loads; a write
// is 2 R + 2 operations on control words and W + 1 stores. On processors that build a compare-exchange of a
// linked load and a conditional store, that pair repeats once for every interrupt or store of the other core
// that falls between its two instructions; a writer that is interrupted never makes a reader repeat.
#pragma once

#include <stddef.h>
#include <stdint.h>

namespace fifthwheel {

// Points at which tests stop the writer or a reader, each before the operation on shared memory it names.
enum class ShareStep : uint8_t {
    write_latest,   // which slot is the latest
    write_holds,    // which slot a reader holds
    write_word,     // a word of the slot
    write_declare,  // the slot is the latest
    write_offer,    // the slot to a reader that is choosing
    read_clear,     // the hold
    read_latest,    // which slot is the latest
    read_hold,      // try to hold it
    read_held,      // which slot is held
    read_word       // a word of the slot
};

// What a Share does at its steps on a car: nothing.
struct ShareQuiet {
    static void at(ShareStep) {}
};

template <typename T, int Readers, typename Hook = ShareQuiet>
class Share {
    static_assert(__is_trivially_copyable(T), "only plain data can be shared: it is copied word by word");
    static_assert(Readers >= 1 && Readers <= 29, "one to 29 readers");
    static_assert(__atomic_always_lock_free(sizeof(uint32_t), nullptr), "needs words without a lock");

  public:
    static constexpr int slots = Readers + 2;
    static constexpr size_t words = (sizeof(T) + 3) / 4;

    // Readers get `first` until something is written.
    explicit Share(const T& first) {
        for (int r = 0; r < Readers; ++r) held_[r] = none;
        for (int s = 0; s < slots; ++s) fill(s, first, 0U);
        put(latest_, 0U);
    }
    Share(const Share&) = delete;
    Share& operator=(const Share&) = delete;

    // Publish `value`. Only one task may write.
    void write(const T& value) {
        Hook::at(ShareStep::write_latest);
        uint32_t busy = 1U << get(latest_);
        for (int r = 0; r < Readers; ++r) {
            Hook::at(ShareStep::write_holds);
            const uint32_t slot = get(held_[r]);
            if (slot != none) busy |= 1U << slot;
        }
        uint32_t slot = 0U;
        while (slot + 1U < uint32_t(slots) && (busy >> slot & 1U) != 0U) ++slot;
        number_ = number_ == 0xFFFFFFFFU ? 1U : number_ + 1U;
        fill(int(slot), value, number_);
        Hook::at(ShareStep::write_declare);
        put(latest_, slot);
        for (int r = 0; r < Readers; ++r) {
            Hook::at(ShareStep::write_offer);
            take(held_[r], slot);
        }
    }

    // Copy the latest whole value into `out`; return the number of its write, 0 for the first value. Each
    // reading task has its own number `Reader`, from 0.
    template <int Reader>
    uint32_t read(T& out) {
        static_assert(Reader >= 0 && Reader < Readers, "readers are numbered from 0 to Readers - 1");
        Hook::at(ShareStep::read_clear);
        put(held_[Reader], none);
        Hook::at(ShareStep::read_latest);
        const uint32_t latest = get(latest_);
        Hook::at(ShareStep::read_hold);
        take(held_[Reader], latest);
        Hook::at(ShareStep::read_held);
        const uint32_t* from = data_[get(held_[Reader])];
        unsigned char* to = reinterpret_cast<unsigned char*>(&out);
        for (size_t w = 0; w < words; ++w) {
            Hook::at(ShareStep::read_word);
            const uint32_t word = __atomic_load_n(from + w, __ATOMIC_RELAXED);
            __builtin_memcpy(to + 4 * w, &word, piece(w));
        }
        Hook::at(ShareStep::read_word);
        return __atomic_load_n(from + words, __ATOMIC_RELAXED);
    }

  private:
    static constexpr uint32_t none = 0xFFFFFFFFU;

    // Bytes of the value in word w.
    static constexpr size_t piece(size_t w) { return sizeof(T) - 4 * w < 4 ? sizeof(T) - 4 * w : 4; }
    static uint32_t get(const uint32_t& word) { return __atomic_load_n(&word, __ATOMIC_SEQ_CST); }
    static void put(uint32_t& word, uint32_t value) { __atomic_store_n(&word, value, __ATOMIC_SEQ_CST); }
    static void take(uint32_t& hold, uint32_t slot) {
        uint32_t expected = none;
        __atomic_compare_exchange_n(&hold, &expected, slot, false, __ATOMIC_SEQ_CST, __ATOMIC_SEQ_CST);
    }
    void fill(int slot, const T& value, uint32_t number) {
        const unsigned char* from = reinterpret_cast<const unsigned char*>(&value);
        uint32_t* to = data_[slot];
        for (size_t w = 0; w < words; ++w) {
            uint32_t word = 0U;
            __builtin_memcpy(&word, from + 4 * w, piece(w));
            Hook::at(ShareStep::write_word);
            __atomic_store_n(to + w, word, __ATOMIC_RELAXED);
        }
        Hook::at(ShareStep::write_word);
        __atomic_store_n(to + words, number, __ATOMIC_RELAXED);
    }

    uint32_t latest_ = 0;
    uint32_t held_[Readers];
    uint32_t number_ = 0;               // of the last write; the writer's own
    uint32_t data_[slots][words + 1U];  // the value's words, then the number of its write
};

}  // namespace fifthwheel
