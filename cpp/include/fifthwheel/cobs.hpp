// Bytes without a zero, so that a zero marks where a frame ends.
//
// Consistent Overhead Byte Stuffing: S. Cheshire, M. Baker, IEEE/ACM Transactions on Networking 7 (2), 1999.
// A code byte n says that n - 1 bytes follow and then a zero; 255 that 254 bytes follow and no zero. The zero
// that the last code stands for is not in the data.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/status.hpp>

namespace fifthwheel {

constexpr size_t cobs_run = 254;  // bytes that one code byte covers

// The most bytes that `size` bytes become, without delimiter: one more for every 254 begun.
constexpr size_t cobs_bound(size_t size) { return size + (size == 0 ? 1 : (size + cobs_run - 1) / cobs_run); }

// Stuffs byte after byte into a buffer of the caller's.
class CobsWriter {
  public:
    CobsWriter(uint8_t* out, size_t room) : out_(out), room_(room) {}

    void put(uint8_t byte) {
        if (code_ == 255U) close();  // only now: a full run at the very end needs no code after it
        if (byte == 0U) {
            close();
            return;
        }
        if (size_ < room_) out_[size_] = byte;
        ++size_;
        ++code_;
    }

    // End the frame; the bytes written, more than `room` when the buffer was too small for them.
    size_t finish() {
        if (at_ < room_) out_[at_] = code_;
        return size_;
    }

  private:
    void close() {
        if (at_ < room_) out_[at_] = code_;
        at_ = size_;
        ++size_;
        code_ = 1;
    }

    uint8_t* out_;
    size_t room_;
    size_t at_ = 0;    // where the open code byte will stand
    size_t size_ = 1;  // written, the open code byte among them
    uint8_t code_ = 1;
};

// What one byte of a stream of frames was to the reader.
enum class CobsByte : uint8_t {
    code,  // nothing to store
    data,  // a byte to store
    end,   // the delimiter of a frame that unstuffed well
    cut,   // a delimiter in the middle of a run: bytes were lost, added or changed
    idle   // a delimiter after a delimiter
};

// Unstuffs byte after byte and holds nothing of them.
class CobsReader {
  public:
    // Take one byte; `*data` is set when it yields one.
    CobsByte take(uint8_t byte, uint8_t* data) {
        if (byte == 0U) {
            const CobsByte what = !begun_ ? CobsByte::idle : (left_ == 0 ? CobsByte::end : CobsByte::cut);
            reset();
            return what;
        }
        begun_ = true;
        if (left_ > 0) {
            --left_;
            *data = byte;
            return CobsByte::data;
        }
        const bool zero = zero_;
        left_ = uint8_t(byte - 1U);
        zero_ = byte != 255U;
        *data = 0;
        return zero ? CobsByte::data : CobsByte::code;
    }

    // Forget what was begun, as after a delimiter.
    void reset() {
        left_ = 0;
        zero_ = false;
        begun_ = false;
    }

  private:
    uint8_t left_ = 0;    // bytes of the run still to come
    bool zero_ = false;   // whether a zero follows the run when another one does
    bool begun_ = false;  // whether a byte came since the last delimiter
};

// Stuff `size` bytes, without delimiter. `*written` is what came of it; Status::too_small when `room` does
// not hold it.
inline Status cobs_encode(const uint8_t* data, size_t size, uint8_t* out, size_t room, size_t* written) {
    if ((data == nullptr && size > 0) || out == nullptr || written == nullptr) return Status::bad_argument;
    CobsWriter writer(out, room);
    for (size_t i = 0; i < size; ++i) writer.put(data[i]);
    *written = writer.finish();
    return *written <= room ? Status::ok : Status::too_small;
}

// Unstuff the bytes between two delimiters. Status::bad_checksum when they cannot have come from an encoder.
inline Status cobs_decode(const uint8_t* data, size_t size, uint8_t* out, size_t room, size_t* written) {
    if ((data == nullptr && size > 0) || out == nullptr || written == nullptr) return Status::bad_argument;
    CobsReader reader;
    size_t count = 0;
    uint8_t byte = 0;
    for (size_t i = 0; i < size; ++i) {
        if (data[i] == 0U) return Status::bad_checksum;
        if (reader.take(data[i], &byte) != CobsByte::data) continue;
        if (count == room) return Status::too_small;
        out[count] = byte;
        ++count;
    }
    *written = count;
    return reader.take(0, &byte) == CobsByte::end ? Status::ok : Status::bad_checksum;
}

}  // namespace fifthwheel
