// Frames between two boards over a byte stream: numbered, stamped and checked.
//
// A frame is  type u8, sequence u16, layout u16, time u32, payload, CRC-32 u32,  all little-endian. On the
// wire stands 0, the frame stuffed by COBS, 0: the zero in front ends whatever noise came before, so a good
// frame is never lost to the bad one before it. `layout` is the low half-word of the hash of the car's
// layout, `time` the sender's microseconds, `sequence` counts all frames of the sender since its start,
// whatever their type.
//
// Bytes go in and out; ports, timers and buffers are the caller's. Work per byte is bounded, nothing is
// allocated.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/bytes.hpp>
#include <fifthwheel/cobs.hpp>
#include <fifthwheel/crc.hpp>
#include <fifthwheel/status.hpp>

namespace fifthwheel {

constexpr uint8_t link_version = 1;
constexpr size_t link_header = 9;
constexpr size_t link_check = 4;
constexpr uint8_t first_type_of_layout = 16;

// Frames that every link has, whatever the layout; 7 to 15 are kept free.
enum class LinkType : uint8_t {
    hello = 0,
    clock_request = 1,
    clock_reply = 2,
    setting_read = 3,
    setting_write = 4,
    setting_reply = 5,
    counters = 6
};

// Bytes on the wire of a frame with `payload` bytes, at most.
constexpr size_t link_bound(size_t payload) { return cobs_bound(link_header + payload + link_check) + 2; }

// Time on a wire of 8N1 [ns]: ten bits a byte.
constexpr uint64_t wire_time_ns(size_t bytes, uint32_t baud) {
    return baud == 0 ? 0 : (uint64_t(bytes) * 10000000000ULL + baud - 1) / baud;
}

// Who sends: told in every hello.
struct LinkPeer {
    uint64_t layout = 0;
    uint16_t boot = 0;
    uint8_t reset_cause = 0;
    uint8_t version = link_version;
};

// Bodies of the core's own frames, and their bytes.
struct LinkHello {
    static constexpr size_t size = 16;
    LinkPeer peer;
    uint32_t sent = 0;  // frames sent since the start before this one

    void put(uint8_t* to) const {
        put_u64(to, peer.layout);
        put_u16(to + 8, peer.boot);
        to[10] = peer.reset_cause;
        to[11] = peer.version;
        put_u32(to + 12, sent);
    }
    static LinkHello get(const uint8_t* from) {
        LinkHello hello;
        hello.peer.layout = get_u64(from);
        hello.peer.boot = get_u16(from + 8);
        hello.peer.reset_cause = from[10];
        hello.peer.version = from[11];
        hello.sent = get_u32(from + 12);
        return hello;
    }
};

// Question and answer have one size, so that both take the same time on the wire.
struct LinkClock {
    static constexpr size_t size = 24;
    uint64_t asked = 0;
    uint64_t heard = 0;
    uint64_t answered = 0;

    void put(uint8_t* to) const {
        put_u64(to, asked);
        put_u64(to + 8, heard);
        put_u64(to + 16, answered);
    }
    static LinkClock get(const uint8_t* from) {
        return {get_u64(from), get_u64(from + 8), get_u64(from + 16)};
    }
};

struct SettingRead {
    static constexpr size_t size = 2;
    uint16_t setting = 0;

    void put(uint8_t* to) const { put_u16(to, setting); }
    static SettingRead get(const uint8_t* from) { return {get_u16(from)}; }
};

struct SettingWrite {
    static constexpr size_t size = 6;
    uint16_t setting = 0;
    float value = 0.0F;

    void put(uint8_t* to) const {
        put_u16(to, setting);
        put_f32(to + 2, value);
    }
    static SettingWrite get(const uint8_t* from) { return {get_u16(from), get_f32(from + 2)}; }
};

// What became of a reading or a writing, with the value in force after it.
struct SettingReply {
    static constexpr size_t size = 7;
    uint16_t setting = 0;
    uint8_t status = 0;  // a Status
    float value = 0.0F;

    void put(uint8_t* to) const {
        put_u16(to, setting);
        to[2] = status;
        put_f32(to + 3, value);
    }
    static SettingReply get(const uint8_t* from) { return {get_u16(from), from[2], get_f32(from + 3)}; }
};

// What a receiver has heard since its own start.
struct LinkCounts {
    static constexpr size_t size = 20;
    uint32_t received = 0;      // whole frames, refused ones too
    uint32_t lost = 0;          // numbers that were not heard between the first frame and the last
    uint32_t bad = 0;           // stretches between zeros that are no whole frame
    uint32_t late = 0;          // older than the stated limit when heard; taken all the same
    uint32_t other_layout = 0;  // whole, but of another layout: refused
    uint32_t restarts = 0;      // of the sender; not sent on

    void put(uint8_t* to) const {
        const uint32_t all[5] = {received, lost, bad, late, other_layout};
        for (size_t i = 0; i < 5; ++i) put_u32(to + 4 * i, all[i]);
    }
    static LinkCounts get(const uint8_t* from) {
        LinkCounts c;
        c.received = get_u32(from);
        c.lost = get_u32(from + 4);
        c.bad = get_u32(from + 8);
        c.late = get_u32(from + 12);
        c.other_layout = get_u32(from + 16);
        return c;
    }
};

// Largest payload of the core's own frames.
constexpr size_t largest_core_payload = LinkClock::size;

// A frame as it was heard; `payload` lies in the receiver until it takes the next byte.
struct LinkFrame {
    uint8_t type = 0;
    uint16_t sequence = 0;
    uint16_t layout = 0;
    uint32_t time = 0;  // of the sender [us, low 32 bits]
    const uint8_t* payload = nullptr;
    size_t size = 0;

    bool is(LinkType which) const { return type == uint8_t(which); }
};

// Copy the payload into a generated frame. Status::other_layout: another type or size than that of the
// structure.
template <typename Frame>
Status read_frame(const LinkFrame& from, Frame* to) {
    static_assert(Frame::frame_type >= first_type_of_layout, "types 0 to 15 are the core's own");
    static_assert(__is_trivially_copyable(Frame) && alignof(Frame) == 1,
                  "a packed structure of plain numbers");
    static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "packed structures lie as the wire has them");
    if (to == nullptr) return Status::bad_argument;
    if (from.type != Frame::frame_type || from.size != sizeof(Frame)) return Status::other_layout;
    __builtin_memcpy(to, from.payload, sizeof(Frame));
    return Status::ok;
}

// Makes frames in a buffer of the caller's. One sender per port: it numbers all its frames.
class LinkSender {
  public:
    explicit LinkSender(const LinkPeer& self) : self_(self) { self_.version = link_version; }

    // Make a frame of any type. `*written` bytes of `out` go to the port. too_small: `room` does not hold it
    // (as many bytes as *written says do), and no number is used up.
    Status send(uint8_t type, const void* payload, size_t size, uint64_t now, uint8_t* out, size_t room,
                size_t* written) {
        if (out == nullptr || written == nullptr || (payload == nullptr && size > 0))
            return Status::bad_argument;
        uint8_t header[link_header];
        header[0] = type;
        put_u16(header + 1, uint16_t(sent_));
        put_u16(header + 3, uint16_t(self_.layout));
        put_u32(header + 5, uint32_t(now));
        const auto* body = static_cast<const uint8_t*>(payload);
        uint32_t crc = crc32(header, link_header);
        if (size > 0) crc = crc32(body, size, crc);
        uint8_t check[link_check];
        put_u32(check, crc);
        if (room < 3) {
            *written = link_bound(size);
            return Status::too_small;
        }
        CobsWriter stuffed(out + 1, room - 2);
        for (const uint8_t byte : header) stuffed.put(byte);
        for (size_t i = 0; i < size; ++i) stuffed.put(body[i]);
        for (const uint8_t byte : check) stuffed.put(byte);
        const size_t made = stuffed.finish();
        *written = made + 2;
        if (*written > room) return Status::too_small;
        out[0] = 0;
        out[made + 1] = 0;
        ++sent_;
        return Status::ok;
    }

    // Make a generated frame.
    template <typename Frame, size_t room>
    Status send(const Frame& frame, uint64_t now, uint8_t (&out)[room], size_t* written) {
        static_assert(Frame::frame_type >= first_type_of_layout, "types 0 to 15 are the core's own");
        static_assert(__is_trivially_copyable(Frame) && alignof(Frame) == 1,
                      "a packed structure of plain numbers");
        static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__,
                      "packed structures lie as the wire has them");
        static_assert(room >= link_bound(sizeof(Frame)), "the buffer must hold the frame at its longest");
        return send(Frame::frame_type, &frame, sizeof(Frame), now, out, room, written);
    }

    // Make one of the core's own frames.
    template <typename Body, size_t room>
    Status send(LinkType type, const Body& body, uint64_t now, uint8_t (&out)[room], size_t* written) {
        static_assert(room >= link_bound(Body::size), "the buffer must hold the frame at its longest");
        uint8_t bytes[Body::size];
        body.put(bytes);
        return send(uint8_t(type), bytes, Body::size, now, out, room, written);
    }

    // Say who sends and how many frames were sent: at the start, and once a second or so.
    template <size_t room>
    Status hello(uint64_t now, uint8_t (&out)[room], size_t* written) {
        return send(LinkType::hello, LinkHello{self_, sent_}, now, out, written);
    }

    uint32_t sent() const { return sent_; }
    const LinkPeer& self() const { return self_; }

  private:
    LinkPeer self_;
    uint32_t sent_ = 0;
};

// What a byte completed.
enum class LinkEvent : uint8_t {
    nothing,
    frame,        // a whole frame, to be used
    bad,          // bytes that are no whole frame; counted
    other_layout  // a whole frame of another layout, to be refused; counted
};

// Finds whole frames of up to `max_payload` bytes in a byte stream. Neither numbers nor layouts matter to it.
template <size_t max_payload>
class FrameReader {
    static_assert(max_payload >= largest_core_payload, "the core's own frames must fit");

  public:
    static constexpr size_t capacity = link_header + max_payload + link_check;

    // Take one byte: nothing, frame or bad.
    LinkEvent take(uint8_t byte) {
        uint8_t data = 0;
        switch (cobs_.take(byte, &data)) {
            case CobsByte::data:
                if (size_ < capacity) bytes_[size_] = data;
                if (size_ <= capacity) ++size_;  // one more than fits says: too long
                crc_ = crc32(&data, 1, crc_);
                return LinkEvent::nothing;
            case CobsByte::end:
                return finish(size_ >= link_header + link_check && size_ <= capacity &&
                              crc_ == crc32_residue);
            case CobsByte::cut:
                return finish(false);
            default:
                return LinkEvent::nothing;
        }
    }

    // The port saw a byte without its stop bit, or lost some: what was begun ends here.
    LinkEvent cut() {
        uint8_t data = 0;
        return cobs_.take(0, &data) == CobsByte::idle ? LinkEvent::nothing : finish(false);
    }

    // The frame of the last event.
    LinkFrame frame() const {
        LinkFrame f;
        f.type = bytes_[0];
        f.sequence = get_u16(bytes_ + 1);
        f.layout = get_u16(bytes_ + 3);
        f.time = get_u32(bytes_ + 5);
        f.payload = bytes_ + link_header;
        f.size = whole_ - link_header - link_check;
        return f;
    }

  private:
    LinkEvent finish(bool good) {
        whole_ = good ? size_ : link_header + link_check;
        size_ = 0;
        crc_ = 0;
        return good ? LinkEvent::frame : LinkEvent::bad;
    }

    CobsReader cobs_;
    uint8_t bytes_[capacity] = {};
    size_t size_ = 0;
    size_t whole_ = link_header + link_check;
    uint32_t crc_ = 0;
};

}  // namespace fifthwheel
