// Coverage-guided fuzzing of the receiving end of the link: any bytes, and bytes whose frames have a right
// check.
//
// A mutated check is wrong 4,294,967,295 times of 4,294,967,296, so mutations alone never get past it: after
// each the mutator may put right checks under all frames of the stream. Aborts when a promise of the headers
// is broken.
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fifthwheel/link.hpp>
#include <vector>

namespace fw = fifthwheel;

extern "C" size_t LLVMFuzzerMutate(uint8_t* data, size_t size, size_t max_size);

namespace {

constexpr uint64_t layout = 0x8877665544332211ULL;
using End = fw::Link<64>;

void require(bool held, const char* what) {
    if (held) return;
    std::fprintf(stderr, "broken: %s\n", what);
    std::abort();
}

// The stream with each stretch between zeros unstuffed, its check put right, and stuffed again.
std::vector<uint8_t> repaired(const uint8_t* data, size_t size, bool own_layout) {
    std::vector<uint8_t> out;
    size_t at = 0;
    while (at < size) {
        size_t end = at;
        while (end < size && data[end] != 0) ++end;
        std::vector<uint8_t> frame(end - at + 1);
        size_t length = 0;
        const bool whole =
            fw::cobs_decode(data + at, end - at, frame.data(), frame.size(), &length) == fw::Status::ok;
        if (whole && length >= fw::link_header + fw::link_check) {
            if (own_layout) fw::put_u16(frame.data() + 3, uint16_t(layout));
            fw::put_u32(frame.data() + length - 4, fw::crc32(frame.data(), length - 4));
            std::vector<uint8_t> stuffed(fw::cobs_bound(length));
            size_t made = 0;
            (void)fw::cobs_encode(frame.data(), length, stuffed.data(), stuffed.size(), &made);
            out.insert(out.end(), stuffed.begin(), stuffed.begin() + long(made));
        } else {
            out.insert(out.end(), data + at, data + end);
        }
        if (end < size) out.push_back(0);
        at = end + 1;
    }
    return out;
}

// A frame of any type and size, made by the sender itself.
void append_frame(std::vector<uint8_t>* stream, uint32_t seed) {
    uint8_t payload[64];
    for (size_t k = 0; k < sizeof payload; ++k) payload[k] = uint8_t(seed >> (k % 24));
    uint8_t out[fw::link_bound(sizeof payload)];
    size_t size = 0;
    fw::LinkSender sender({layout, uint16_t(seed), 0});
    const size_t sizes[] = {16, 24, 24, 2, 6, 7, 20, 40};
    (void)sender.send(uint8_t(seed % 8 == 7 ? 20 : seed % 8), payload, sizes[seed % 8], seed, out, sizeof out,
                      &size);
    stream->insert(stream->end(), out, out + size);
}

}  // namespace

extern "C" size_t LLVMFuzzerCustomMutator(uint8_t* data, size_t size, size_t max_size, unsigned int seed) {
    std::vector<uint8_t> stream(data, data + size);
    if (seed % 5 == 0) {
        append_frame(&stream, seed / 5);
    } else {
        stream.resize(max_size);
        stream.resize(LLVMFuzzerMutate(stream.data(), size, max_size));
    }
    if (seed % 3 != 0) stream = repaired(stream.data(), stream.size(), seed % 2 == 0);
    if (stream.size() > max_size) stream.resize(max_size);
    if (!stream.empty()) std::memcpy(data, stream.data(), stream.size());
    return stream.size();
}

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
    End single({layout, 1, 0}, 1000000);
    fw::LinkReceiver<64> chunks(layout);
    uint32_t frames = 0;
    uint32_t bad = 0;
    uint32_t refused = 0;
    uint64_t now = 0;
    uint8_t out[End::core_room];
    for (size_t k = 0; k < size; ++k) {
        now += 10;
        const fw::LinkEvent event = single.take(data[k], now);
        frames += uint32_t(event == fw::LinkEvent::frame);
        bad += uint32_t(event == fw::LinkEvent::bad);
        refused += uint32_t(event == fw::LinkEvent::other_layout);
        if (event != fw::LinkEvent::nothing) require(data[k] == 0, "only a zero ends a frame");
        if (event == fw::LinkEvent::frame || event == fw::LinkEvent::other_layout) {
            const fw::LinkFrame frame = single.receiver().frame();
            require(frame.size <= 64, "a payload is no longer than the receiver holds");
            uint32_t sum = 0;
            for (size_t i = 0; i < frame.size; ++i) sum += frame.payload[i];  // readable to its end
            require(sum <= 255 * frame.size, "bytes");
        }
        if (single.asked()) {
            size_t made = 0;
            require(single.answer(now, out, &made) == fw::Status::ok && made <= sizeof out,
                    "an answer is made");
            // What one end makes, another end takes.
            fw::LinkReceiver<64> other(layout);
            fw::LinkEvent last = fw::LinkEvent::nothing;
            for (size_t i = 0; i < made; ++i) last = other.take(out[i], now);
            require(last == fw::LinkEvent::frame, "an answer is a frame");
        }
        if (event == fw::LinkEvent::nothing) continue;
        const fw::ClockState clock = single.clock().at(now);
        if (clock.known) require(clock.bound_us >= 0.0F, "a bound is not negative");
    }
    const fw::LinkCounts counts = single.receiver().counts();
    require(counts.received == frames + refused, "every whole frame is counted");
    require(counts.bad == bad, "every bad stretch is counted");
    require(counts.other_layout == refused, "every refused frame is counted");
    size_t at = 0;
    uint32_t steps = 0;
    while (at < size) {
        fw::LinkEvent event = fw::LinkEvent::nothing;
        at += chunks.take(data + at,
                          1 + (steps++ * 7) % 61 < size - at ? 1 + ((steps - 1) * 7) % 61 : size - at, now,
                          &event);
    }
    require(chunks.counts().received == counts.received && chunks.counts().lost == counts.lost,
            "chunks give what bytes give");
    // Whatever came before: a zero, a whole frame, and it is taken.
    fw::LinkSender sender({layout, 2, 0});
    uint8_t hello[End::core_room];
    size_t made = 0;
    require(sender.hello(now, hello, &made) == fw::Status::ok, "a hello is made");
    fw::LinkEvent last = fw::LinkEvent::nothing;
    for (size_t i = 0; i < made; ++i) last = chunks.take(hello[i], now);
    require(last == fw::LinkEvent::frame && chunks.same_layout(), "the next whole frame is taken");
    // What COBS unstuffs, it stuffs again to the same or to something shorter.
    std::vector<uint8_t> plain(size + 1);
    size_t length = 0;
    if (fw::cobs_decode(data, size, plain.data(), plain.size(), &length) == fw::Status::ok) {
        std::vector<uint8_t> again(fw::cobs_bound(length));
        size_t stuffed = 0;
        require(fw::cobs_encode(plain.data(), length, again.data(), again.size(), &stuffed) == fw::Status::ok,
                "the bound of COBS holds");
        require(stuffed <= size, "COBS is no longer than another encoder's");
    }
    return 0;
}
