// Frames against bytes made elsewhere (vectors/link.txt), and links against lines whose truth is known.
#include <cmath>
#include <fifthwheel/link.hpp>
#include <random>
#include <string>
#include <vector>

#include "link_trial.hpp"
#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {

using Bytes = std::vector<uint8_t>;
constexpr uint64_t layout = 0x8877665544332211ULL;

Bytes row(const Vectors& v, const std::string& name) {
    const auto& numbers = v.at(name);
    return Bytes(numbers.begin(), numbers.end());
}

// A frame on the wire with a number of the caller's choice.
Bytes wire(uint8_t type, uint32_t number, uint32_t time, const Bytes& payload, uint64_t of = layout) {
    Bytes frame(fw::link_header);
    frame[0] = type;
    fw::put_u16(&frame[1], uint16_t(number));
    fw::put_u16(&frame[3], uint16_t(of));
    fw::put_u32(&frame[5], time);
    frame.insert(frame.end(), payload.begin(), payload.end());
    const uint32_t crc = fw::crc32(frame.data(), frame.size());
    for (unsigned k = 0; k < 4; ++k) frame.push_back(uint8_t(crc >> (8 * k)));
    Bytes out(fw::cobs_bound(frame.size()) + 2, 0);
    size_t size = 0;
    REQUIRE(fw::cobs_encode(frame.data(), frame.size(), out.data() + 1, out.size() - 2, &size) ==
            fw::Status::ok);
    out.resize(size + 2);
    out.back() = 0;
    return out;
}

Bytes hello_wire(uint32_t number, uint32_t time, uint16_t boot, uint64_t of = layout) {
    Bytes body(fw::LinkHello::size);
    fw::LinkHello{{of, boot, 0, 1}, number}.put(body.data());
    return wire(0, number, time, body, of);
}

template <typename Receiver>
std::vector<fw::LinkEvent> feed(Receiver& receiver, const Bytes& bytes, uint64_t now = 0) {
    std::vector<fw::LinkEvent> events;
    for (uint8_t byte : bytes) {
        const fw::LinkEvent event = receiver.take(byte, now);
        if (event != fw::LinkEvent::nothing) events.push_back(event);
    }
    return events;
}

const std::vector<fw::LinkEvent> one_frame{fw::LinkEvent::frame};

}  // namespace

TEST_CASE("frames on the wire are those made with other libraries, in both directions") {
    const Vectors v("link.txt");
    for (const char* name : {"empty", "zeros", "counting", "long", "hello", "clock_request", "clock_reply",
                             "setting_read", "setting_write", "setting_reply", "counters"}) {
        CAPTURE(name);
        const auto& head = v.at(name);
        const Bytes payload = row(v, std::string(name) + "_payload");
        const Bytes expected = row(v, std::string(name) + "_wire");
        CHECK(expected.size() <= fw::link_bound(payload.size()));
        fw::LinkSender sender({layout, 513, 4});
        Bytes out(fw::link_bound(payload.size()));
        size_t size = 0;
        // Numbers are the sender's own: bring it to the one of the example.
        for (int k = 0; k < int(head[1]); ++k) {
            REQUIRE(sender.send(99, nullptr, 0, 0, out.data(), out.size(), &size) == fw::Status::ok);
        }
        REQUIRE(sender.send(uint8_t(head[0]), payload.data(), payload.size(), uint64_t(head[2]), out.data(),
                            out.size(), &size) == fw::Status::ok);
        out.resize(size);
        CHECK(out == expected);
        fw::LinkReceiver<300> receiver(layout);
        REQUIRE(feed(receiver, expected) == one_frame);
        const fw::LinkFrame frame = receiver.frame();
        CHECK(frame.type == uint8_t(head[0]));
        CHECK(frame.sequence == uint16_t(head[1]));
        CHECK(frame.time == uint32_t(head[2]));
        CHECK(frame.layout == 0x2211U);
        CHECK(Bytes(frame.payload, frame.payload + frame.size) == payload);
    }
}

TEST_CASE("bodies of the core's own frames lie as other libraries pack them") {
    const Vectors v("link.txt");
    const Bytes hello = row(v, "hello_payload");
    const auto h = fw::LinkHello::get(hello.data());
    CHECK((h.peer.layout == layout && h.peer.boot == 513 && h.peer.reset_cause == 4 && h.peer.version == 1));
    const Bytes clock = row(v, "clock_reply_payload");
    const auto c = fw::LinkClock::get(clock.data());
    CHECK(
        (c.asked == 2000000U && c.heard == 205891132094649ULL && c.answered == 205891132094899ULL));  // 3^30
    const auto w = fw::SettingWrite::get(row(v, "setting_write_payload").data());
    CHECK((w.setting == 700 && w.value == 0.375F));
    const auto r = fw::SettingReply::get(row(v, "setting_reply_payload").data());
    CHECK((r.setting == 700 && r.status == 0 && r.value == 0.375F));
    CHECK(fw::SettingRead::get(row(v, "setting_read_payload").data()).setting == 700);
    const auto n = fw::LinkCounts::get(row(v, "counters_payload").data());
    CHECK((n.received == 100000 && n.lost == 12 && n.bad == 3 && n.late == 1 && n.other_layout == 65536));
    const auto same = [&](const auto& body, const char* name) {
        Bytes out(body.size);
        body.put(out.data());
        return out == row(v, name);
    };
    CHECK(same(h, "hello_payload"));
    CHECK(same(c, "clock_reply_payload"));
    CHECK(same(w, "setting_write_payload"));
    CHECK(same(r, "setting_reply_payload"));
    CHECK(same(n, "counters_payload"));
}

TEST_CASE("time on the wire is ten bits a byte") {
    const Vectors v("link.txt");
    const auto& rows = v.at("wire_time");
    for (size_t k = 0; k < rows.size(); k += 3) {
        const auto ns = double(fw::wire_time_ns(size_t(rows[k + 1]), uint32_t(rows[k])));
        CHECK(ns == doctest::Approx(1000.0 * rows[k + 2]).epsilon(1e-5));
    }
    CHECK(fw::link_bound(48) == 48 + 13 + 1 + 2);  // header 9, CRC 4, one code byte, two zeros
    CHECK(fw::wire_time_ns(1, 0) == 0);
}

TEST_CASE("bytes in chunks give what bytes one by one give") {
    std::mt19937 random(2);
    Bytes stream;
    for (uint32_t k = 0; k < 300; ++k) {
        Bytes payload(random() % 60);
        for (auto& byte : payload) byte = uint8_t(random() % 4 == 0 ? 0 : random());
        Bytes bytes = wire(uint8_t(16 + k % 3), k, k * 5000, payload);
        if (k % 11 == 3) bytes[random() % bytes.size()] ^= uint8_t(1U << (random() % 8));
        if (k % 17 == 5) bytes.erase(bytes.begin() + long(random() % bytes.size()));
        stream.insert(stream.end(), bytes.begin(), bytes.end());
    }
    fw::LinkReceiver<64> single(layout);
    const auto events = feed(single, stream);
    fw::LinkReceiver<64> chunks(layout);
    std::vector<fw::LinkEvent> others;
    size_t at = 0;
    while (at < stream.size()) {
        const size_t chunk = std::min<size_t>(1 + random() % 200, stream.size() - at);
        fw::LinkEvent event{};
        const size_t used = chunks.take(stream.data() + at, chunk, 0, &event);
        REQUIRE(used > 0);
        at += used;
        if (event != fw::LinkEvent::nothing) others.push_back(event);
    }
    CHECK(events == others);
    CHECK(single.counts().received == chunks.counts().received);
    CHECK(single.counts().lost == chunks.counts().lost);
    CHECK(single.counts().bad == chunks.counts().bad);
    CHECK(single.counts().received + single.counts().lost == 300);
    CHECK(single.counts().lost > 20);
}

TEST_CASE("whatever comes between, the next whole frame is taken") {
    std::mt19937 random(3);
    fw::LinkReceiver<64> receiver(layout);
    for (uint32_t k = 0; k < 3000; ++k) {
        Bytes noise(random() % 200);
        for (auto& byte : noise) byte = uint8_t(random() % 20 == 0 ? 0 : random());
        if (k % 3 == 0) {  // a frame cut short or joined to noise
            const Bytes bytes = wire(17, 9, 0, Bytes(20, uint8_t(k)));
            noise.insert(noise.end(), bytes.begin(), bytes.begin() + long(random() % (bytes.size() - 1)));
        }
        (void)feed(receiver, noise);
        const uint32_t before = receiver.counts().received;
        const auto events = feed(receiver, wire(16, k, k * 5000, Bytes(30, uint8_t(k))));
        REQUIRE(!events.empty());
        CHECK(events.back() == fw::LinkEvent::frame);
        CHECK(receiver.counts().received == before + 1);
    }
    CHECK(receiver.counts().lost == 0);
    CHECK(receiver.counts().bad > 3000);
}

TEST_CASE("a frame that is too long, or too short, is bad and overruns nothing") {
    fw::LinkReceiver<24> receiver(layout);
    CHECK(feed(receiver, wire(16, 0, 0, Bytes(24, 1))) == one_frame);
    const std::vector<fw::LinkEvent> bad{fw::LinkEvent::bad};
    for (size_t size : {25, 26, 100, 3000}) CHECK(feed(receiver, wire(16, 1, 0, Bytes(size, 1))) == bad);
    for (size_t size = 1; size < 13; ++size) {
        Bytes bytes(size, 1);
        bytes.push_back(0);
        CHECK(feed(receiver, bytes) == bad);
    }
    // Four zero bytes are their own check of nothing only if no header is asked for.
    CHECK(feed(receiver, {1, 1, 1, 1, 1, 0}) == bad);
    CHECK(feed(receiver, wire(16, 1, 0, Bytes(24, 1))) == one_frame);
    CHECK(receiver.counts().bad == 17);
}

TEST_CASE("the buffer of a sender is the caller's and is not overrun; a refused frame uses up no number") {
    fw::LinkSender sender({layout, 1, 0});
    const Bytes payload(40, 7);
    const size_t needed = 40 + 13 + 1 + 2;
    for (size_t room = 0; room < needed; ++room) {
        Bytes out(needed, 0xEE);
        size_t size = 0;
        CHECK(sender.send(16, payload.data(), payload.size(), 0, out.data(), room, &size) ==
              fw::Status::too_small);
        CHECK(size >= needed);
        for (size_t k = room; k < out.size(); ++k) REQUIRE(out[k] == 0xEE);
    }
    CHECK(sender.sent() == 0);
    Bytes out(needed);
    size_t size = 0;
    CHECK(sender.send(16, payload.data(), payload.size(), 0, out.data(), needed, &size) == fw::Status::ok);
    CHECK(sender.sent() == 1);
    CHECK(sender.send(16, nullptr, 4, 0, out.data(), needed, &size) == fw::Status::bad_argument);
    CHECK(sender.send(16, nullptr, 0, 0, nullptr, needed, &size) == fw::Status::bad_argument);
}

TEST_CASE("lost frames are counted over the wrap of the number, and over any silence once a hello has come") {
    fw::LinkSequence s;
    for (uint32_t k = 0; k < 200000; ++k) {
        if (k % 1000 == 10 || k % 777 == 5) continue;
        s.take(uint16_t(k), k * 5000);
    }
    uint32_t counted = 0;
    for (uint32_t k = 0; k < 199999; ++k) counted += uint32_t(k % 1000 == 10 || k % 777 == 5);
    CHECK(s.lost() == counted);
    s.take(uint16_t(400000), 400000U * 5000U);  // 200,000 frames unheard: known modulo 65,536
    CHECK((s.lost() - counted) % 65536 == 200000 % 65536);
    s.hello(1, 400000);
    s.take(uint16_t(400001), 400001U * 5000U);
    CHECK(s.restarts() == 0);
    // The first hello anchors the count; from now on every gap of any length is exact.
    const uint32_t before = s.lost();
    s.take(uint16_t(900000), 900000U * 5000U);
    s.hello(1, 900000);
    CHECK(s.lost() - before == 900000 - 400002);
}

TEST_CASE("restarts of the sender are told and nothing of theirs is counted as lost") {
    SUBCASE("the first hello is heard") {
        fw::LinkSequence s;
        for (uint32_t k = 0; k < 500; ++k) s.take(uint16_t(k), k * 5000);
        s.hello(7, 499);
        s.take(0, 1200);
        s.hello(8, 0);
        for (uint32_t k = 1; k < 100; ++k) s.take(uint16_t(k), k * 5000);
        CHECK(s.restarts() == 1);
        CHECK(s.lost() == 0);
    }
    SUBCASE("it is lost with three frames after it; the clock tells") {
        fw::LinkSequence s;
        s.take(0, 0);
        s.hello(7, 0);
        for (uint32_t k = 1; k < 500; ++k) s.take(uint16_t(k), k * 5000);
        s.take(4, 20000);
        CHECK(s.restarts() == 1);
        CHECK(s.lost() == 4);
        s.take(5, 25000);
        s.hello(8, 5);
        CHECK(s.restarts() == 1);
        CHECK(s.lost() == 4);
    }
    SUBCASE("it is lost and the clock does not tell: the next hello does") {
        fw::LinkSequence s;
        s.take(0, 0);
        s.hello(7, 0);
        for (uint32_t k = 1; k < 10; ++k) s.take(uint16_t(k), k * 5000);
        for (uint32_t k = 40; k < 50; ++k) s.take(uint16_t(k), k * 5000);  // of the next boot
        CHECK(s.restarts() == 0);
        s.take(50, 250000);
        s.hello(8, 50);
        CHECK(s.restarts() == 1);
        CHECK(s.lost() == 40);
    }
    SUBCASE("a silence so long that the clock seems to fall is none") {
        fw::LinkSequence s;
        s.take(0, 0);
        s.hello(7, 0);
        for (uint32_t k = 1; k < 10; ++k) s.take(uint16_t(k), k * 5000);
        const uint32_t after = 9 + 2500000000U / 5000U;  // 2,500 s later
        s.take(uint16_t(after), after * 5000U);
        CHECK(s.restarts() == 1);
        s.take(uint16_t(after + 1), (after + 1) * 5000U);
        s.hello(7, after + 1);
        CHECK(s.restarts() == 0);
        CHECK(s.lost() == after - 10);
    }
    SUBCASE("its numbers go on by chance where the old ones ended") {
        fw::LinkSequence s;
        s.take(0, 0);
        s.hello(7, 0);
        s.take(1, 5000);
        s.take(2, 5600);  // hello of a new boot that has sent two frames before
        s.hello(8, 2);
        CHECK(s.restarts() == 1);
        CHECK(s.lost() == 2);
    }
}

TEST_CASE("whatever is lost of however many boots, the count is the truth") {
    std::mt19937 random(4);
    for (int trial = 0; trial < 300; ++trial) {
        fw::LinkSequence s;
        uint32_t truth = 0;
        bool any = false;
        uint32_t restarts = 0;
        for (uint16_t boot = 1; boot <= 4; ++boot) {
            const uint32_t frames = 400 + random() % 3000;
            const uint32_t loss = random() % 100;
            uint32_t heard_to = 0;  // frames of this boot up to the last heard
            uint32_t heard = 0;
            uint32_t from = 0;
            for (uint32_t k = 0; k < frames; ++k) {
                const bool last = k == frames - 1;
                if (!last && random() % 100 < loss) continue;
                if (heard == 0 && !any) from = k;
                s.take(uint16_t(k), k * 5000U + 1000U);
                if (k % 50 == 0 || last) s.hello(boot, k);
                heard_to = k + 1;
                ++heard;
            }
            truth += heard_to - from - heard;
            restarts += uint32_t(any);
            any = true;
        }
        CHECK(s.lost() == truth);
        CHECK(s.restarts() == restarts);
    }
}

TEST_CASE("frames of another layout are refused and it is said which") {
    fw::LinkReceiver<64> receiver(layout);
    CHECK(!receiver.met());
    CHECK(feed(receiver, wire(16, 0, 0, {1, 2}, layout + 1)) ==
          std::vector<fw::LinkEvent>{fw::LinkEvent::other_layout});
    CHECK(feed(receiver, hello_wire(1, 10, 3, layout + 1)) == one_frame);
    CHECK(receiver.met());
    CHECK(!receiver.same_layout());
    CHECK(receiver.peer().layout == layout + 1);
    CHECK(receiver.peer().boot == 3);
    CHECK(feed(receiver, wire(1, 2, 20, Bytes(24, 0), layout + 1)) == one_frame);  // clocks need no layout
    CHECK(feed(receiver, wire(4, 3, 30, Bytes(6, 0), layout + 1)) ==               // settings do
          std::vector<fw::LinkEvent>{fw::LinkEvent::other_layout});
    CHECK(receiver.counts().other_layout == 2);
    CHECK(receiver.counts().received == 4);
    CHECK(receiver.counts().lost == 0);
    // Two layouts whose low half-words agree: the hello tells them apart.
    const uint64_t twin = layout ^ (1ULL << 40U);
    CHECK(feed(receiver, hello_wire(4, 40, 3, twin)) == one_frame);
    CHECK(feed(receiver, wire(16, 5, 50, {1, 2}, twin)) ==
          std::vector<fw::LinkEvent>{fw::LinkEvent::other_layout});
    CHECK(feed(receiver, hello_wire(6, 60, 3)) == one_frame);
    CHECK(receiver.same_layout());
    CHECK(feed(receiver, wire(16, 7, 70, {1, 2})) == one_frame);
}

TEST_CASE("generated frames go out and come in as structures") {
    fw::LinkSender sender({layout, 1, 0});
    fw::LinkReceiver<64> receiver(layout);
    uint8_t out[fw::link_bound(sizeof(TrialFrame))];
    size_t size = 0;
    const TrialFrame sent = trial_frame(77);
    REQUIRE(sender.send(sent, 123, out, &size) == fw::Status::ok);
    REQUIRE(feed(receiver, Bytes(out, out + size)) == one_frame);
    TrialFrame got{};
    REQUIRE(fw::read_frame(receiver.frame(), &got) == fw::Status::ok);
    CHECK(std::memcmp(&sent, &got, sizeof got) == 0);
    REQUIRE(feed(receiver, wire(TrialFrame::frame_type, 1, 0, Bytes(10, 1))) == one_frame);
    CHECK(fw::read_frame(receiver.frame(), &got) == fw::Status::other_layout);
    REQUIRE(feed(receiver, wire(21, 2, 0, Bytes(sizeof got, 1))) == one_frame);
    CHECK(fw::read_frame(receiver.frame(), &got) == fw::Status::other_layout);
}

TEST_CASE("frames older than stated are counted late once the other clock is known") {
    fw::LinkReceiver<64> receiver(layout);
    receiver.set_late(20000);
    (void)feed(receiver, wire(16, 0, 0, {1}), 90000);
    CHECK(receiver.counts().late == 0);  // not known yet
    const int64_t offset = -5000000;     // the other board started 5 s later
    receiver.set_offset(offset);
    const auto sent = [&](uint64_t now, uint32_t age) {
        return uint32_t(uint64_t(int64_t(now) + offset) - age);
    };
    (void)feed(receiver, wire(16, 1, sent(6000000, 20000), {1}), 6000000);
    CHECK(receiver.counts().late == 0);
    CHECK(feed(receiver, wire(16, 2, sent(6100000, 20001), {1}), 6100000) == one_frame);
    CHECK(receiver.counts().late == 1);
    // Stamps wrap every 4,294.967296 s.
    const uint64_t wrap = 4294967296ULL + 5000000 + 1000;
    (void)feed(receiver, wire(16, 3, sent(wrap, 2000), {1}), wrap);
    CHECK(receiver.counts().late == 1);
    // After a restart the offset is another one: nothing is judged by the old one.
    (void)feed(receiver, hello_wire(0, 10, 2), wrap + 1000000);
    (void)feed(receiver, wire(16, 1, 1000, {1}), wrap + 1000000);
    CHECK(receiver.counts().late == 1);
}

TEST_CASE("every value has its age") {
    fw::Aged<float> value;
    float out = -1.0F;
    CHECK(value.age(123) == UINT64_MAX);
    CHECK(!value.fresh(123, UINT64_MAX - 1, &out));
    CHECK(out == -1.0F);
    value.set(2.5F, 1000);
    CHECK(value.age(1000) == 0);
    CHECK(value.age(999) == 0);
    CHECK(value.fresh(6000, 5000, &out));
    CHECK(out == 2.5F);
    CHECK(!value.fresh(6001, 5000, &out));
    CHECK(value.last() == 2.5F);
    CHECK(value.age(1000 + 4294967296ULL) == 4294967296ULL);  // no wrap makes it young again
}

TEST_CASE("two ends meet, set their clocks and tell what they heard") {
    using End = fw::Link<64>;
    End a({layout, 5, 1}, 1000000);
    End b({layout, 9, 2}, 1000000);
    const uint64_t ahead = 777000000;  // b's clock
    uint8_t out[End::core_room];
    size_t size = 0;
    uint64_t now = 1000;
    // Bytes arrive ten microseconds apart.
    const auto carry = [&](End& to, uint64_t offset) {
        for (size_t k = 0; k < size; ++k) {
            now += 10;
            (void)to.take(out[k], now + offset);
        }
    };
    REQUIRE(a.hello(now, out, &size) == fw::Status::ok);
    carry(b, ahead);
    REQUIRE(b.hello(now + ahead, out, &size) == fw::Status::ok);
    carry(a, 0);
    CHECK((a.receiver().same_layout() && b.receiver().same_layout()));
    CHECK((a.receiver().peer().boot == 9 && b.receiver().peer().boot == 5));
    CHECK(a.answer(now, out, &size) == fw::Status::bad_argument);
    for (int k = 0; k < 10; ++k) {
        REQUIRE(a.ask(now, out, &size) == fw::Status::ok);
        carry(b, ahead);
        REQUIRE(b.asked());
        now += 150;
        REQUIRE(b.answer(now + ahead, out, &size) == fw::Status::ok);
        carry(a, 0);
        now += 100000;
    }
    const fw::ClockState clock = a.clock().at(now);
    REQUIRE(clock.known);
    CHECK(std::fabs(double(clock.offset_us) - double(ahead)) <= double(clock.bound_us));
    CHECK(clock.bound_us < 100.0F);
    REQUIRE(a.tell_counts(now, out, &size) == fw::Status::ok);
    carry(b, ahead);
    CHECK(b.their_counts().last().received == 11);  // a hello and ten answers
    CHECK(b.their_counts().age(now + ahead) == 0);
    // The other board starts again: its clock is unknown until it has answered.
    End c({layout, 10, 3}, 1000000);
    REQUIRE(c.hello(50, out, &size) == fw::Status::ok);
    carry(a, 0);
    CHECK(!a.clock().at(now).known);
    CHECK(a.receiver().counts().restarts == 1);
}

TEST_CASE("minutes of frames over a noisy line: every loss counted, none wrong, each whole one taken") {
    for (const double rate : {0.0, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3}) {
        for (const bool tell : {true, false}) {
            CAPTURE(rate);
            LinkTrial trial(rate, 11, tell);
            const TrialResult r = trial.run(rate < 1e-5 ? 600.0 : 120.0, 200.0, 1000000);
            CHECK(r.counts.lost == r.lost_truth);
            CHECK(r.counts.received == r.span - r.lost_truth);
            // P(one or more) is the number of bad frames / 2^32 < 1e-5 here (Poisson).
            CHECK(r.wrong == 0);
            if (tell) CHECK(r.not_recovered == 0);
            // Share lost: 1 - (1 - p)^n for n bits, a few more where noise ahead of it joins a frame.
            const double bits = 10.0 * double(fw::link_bound(sizeof(TrialFrame)) - 2);
            const double expected = double(r.sent) * (1.0 - std::pow(1.0 - rate, bits));
            CHECK(double(r.lost_truth) < 1.2 * expected + 5.0 * std::sqrt(expected) + 1.0);
            CHECK(double(r.lost_truth) >= 0.9 * expected - 5.0 * std::sqrt(expected));
        }
    }
}

TEST_CASE(
    "a check of 32 bits lets one in 2^32 pass: of random bytes its half-words agree as often as chance has "
    "it") {
    std::mt19937_64 random(5);
    const int pieces = 1000000;
    int alike = 0;
    for (int k = 0; k < pieces; ++k) {
        uint8_t bytes[24];
        for (size_t i = 0; i < 24; i += 8) fw::put_u64(bytes + i, random());
        const uint32_t apart = fw::crc32(bytes, 20) ^ fw::get_u32(bytes + 20);
        alike += int((apart & 0xFFFFU) == 0) + int((apart >> 16U) == 0);
    }
    // Poisson, mean 2 * 1e6 / 65,536 = 30.5: 99.9 % lie between 14 and 50
    // (scipy.stats.poisson.interval(0.999, 30.5)).
    CHECK(alike >= 14);
    CHECK(alike <= 50);
}
