// Both ends of a link of frames (frame.hpp): what was heard, what was lost, how old it is, who sends it.
//
// Bytes go in and out; ports, timers and buffers are the caller's. Work per byte is bounded, nothing is
// allocated.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/clock.hpp>
#include <fifthwheel/frame.hpp>
#include <fifthwheel/status.hpp>

namespace fifthwheel {

// A value and when it was last heard [us of this board]. A value never heard is older than anything.
template <typename T>
class Aged {
  public:
    void set(const T& value, uint64_t now) {
        value_ = value;
        at_ = now;
        ever_ = true;
    }

    // Stale-data age [us]; UINT64_MAX when there is no value. A stamp from the future has age 0.
    uint64_t age(uint64_t now) const { return !ever_ ? UINT64_MAX : (now > at_ ? now - at_ : 0); }

    // Copy the value out when it is no older than `limit` [us].
    bool fresh(uint64_t now, uint64_t limit, T* out) const {
        if (age(now) > limit) return false;
        *out = value_;
        return true;
    }

    // The value, however old.
    const T& last() const { return value_; }

  private:
    T value_{};
    uint64_t at_ = 0;
    bool ever_ = false;
};

// Counts lost frames by their numbers, over wraps and restarts of the sender.
//
// Between two hellos a gap is known modulo 65,536 frames and a restart shows in the sender's clock; a hello
// says how many frames its sender has sent and which boot it is, and settles both to the frame.
class LinkSequence {
  public:
    // Take the number and the stamp of a whole frame.
    void take(uint16_t sequence, uint32_t time) {
        const auto gap = uint16_t(sequence - uint16_t(next_));
        const auto step = int32_t(time - time_);
        if (!begun_) {
            begun_ = true;
            run_.start = sequence;
            next_ = sequence;
        } else if (step < -clock_slack_us || (step < 0 && gap > 32767U)) {
            suspect(sequence);
        } else if (gap != 0U) {
            if (!suspected_) keep();
            next_ += gap;
        }
        time_ = time;
        ++run_.heard;
        ++next_;
    }

    // Take what the frame just taken says of itself: its number in full.
    void settle(uint32_t sent) {
        const uint32_t shift = sent + 1U - next_;
        if (!anchored_) {  // the first full number: what came before it is counted from the same start
            run_.start += shift;
            before_.start += shift;
            before_next_ += shift;
            anchored_ = true;
        }
        next_ = sent + 1U;
    }

    // Take the hello just heard; `boot` is its boot number.
    void hello(uint16_t boot, uint32_t sent) {
        if (greeted_ && boot == boot_ && suspected_) {
            folded_ -= before_next_ - before_.start - before_.heard;  // it had not restarted
            run_.start = before_.start;
            run_.heard += before_.heard;
            --restarts_;
        } else if (greeted_ && boot != boot_ && !suspected_) {
            if (!broken_) {  // its numbers went on where the old ones ended
                before_ = {run_.start, run_.heard - 1U};
                before_next_ = next_ - 1U;
            }
            folded_ += before_next_ - before_.start - before_.heard;
            run_ = {0, run_.heard - before_.heard};
            anchored_ = true;
            ++restarts_;
        }
        settle(sent);
        greeted_ = true;
        boot_ = boot;
        suspected_ = false;
        broken_ = false;
    }

    uint32_t lost() const { return folded_ + next_ - run_.start - run_.heard; }
    uint32_t restarts() const { return restarts_; }

  private:
    static constexpr int32_t clock_slack_us = 100000;  // frames of several tasks may be stamped out of turn

    struct Run {
        uint32_t start = 0;  // number of its first frame
        uint32_t heard = 0;
    };

    void keep() {
        before_ = run_;
        before_next_ = next_;
        broken_ = true;
    }

    void suspect(uint16_t sequence) {
        keep();
        folded_ += next_ - run_.start - run_.heard;
        run_ = {0, 0};
        next_ = sequence;
        anchored_ = true;
        suspected_ = true;
        ++restarts_;
    }

    Run run_;            // since the sender's start, as far as known
    uint32_t next_ = 0;  // number of the frame that comes next
    uint32_t time_ = 0;
    uint32_t folded_ = 0;  // lost in earlier runs
    Run before_;           // how it stood at the last gap, where a restart may turn out to have been
    uint32_t before_next_ = 0;
    uint32_t restarts_ = 0;
    uint16_t boot_ = 0;
    bool begun_ = false;
    bool anchored_ = false;  // the start is known in full
    bool greeted_ = false;
    bool suspected_ = false;  // a restart was seen by the clock and no hello has come since
    bool broken_ = false;
};

// Takes the bytes of the other board: whole frames of the own layout, and counts of everything else.
template <size_t max_payload>
class LinkReceiver {
  public:
    // own_layout: hash of the layout that this board was built with.
    explicit LinkReceiver(uint64_t own_layout) : layout_(own_layout) {}

    // Take one byte that came at `now` [us].
    LinkEvent take(uint8_t byte, uint64_t now) { return judge(reader_.take(byte), now); }

    // Take bytes until one completes something; how many were taken. `now` is the time of them all.
    size_t take(const uint8_t* bytes, size_t count, uint64_t now, LinkEvent* event) {
        *event = LinkEvent::nothing;
        size_t used = 0;
        while (used < count && *event == LinkEvent::nothing) *event = take(bytes[used++], now);
        return used;
    }

    // The port saw a byte without its stop bit, or lost some.
    LinkEvent cut(uint64_t now) { return judge(reader_.cut(), now); }

    // Frames older than `limit` when heard are counted late, once the other clock is known.
    void set_late(uint32_t limit_us) { late_us_ = limit_us; }
    void set_offset(int64_t other_minus_own_us) {
        offset_ = uint32_t(uint64_t(other_minus_own_us));
        offset_known_ = true;
    }

    // The frame of the last event.
    LinkFrame frame() const { return reader_.frame(); }
    LinkCounts counts() const {
        LinkCounts c = counts_;
        c.lost = sequence_.lost();
        c.restarts = sequence_.restarts();
        return c;
    }
    // Who the other board says it is; whether it has said so; whether it was built with the same layout.
    const LinkPeer& peer() const { return peer_; }
    bool met() const { return met_; }
    bool same_layout() const { return met_ && peer_.layout == layout_; }

  private:
    LinkEvent judge(LinkEvent event, uint64_t now) {
        if (event == LinkEvent::bad) ++counts_.bad;
        if (event != LinkEvent::frame) return event;
        const LinkFrame frame = reader_.frame();
        const bool needs_layout =
            frame.type >= uint8_t(LinkType::setting_read) && !frame.is(LinkType::counters);
        ++counts_.received;
        const uint32_t restarts = sequence_.restarts();
        sequence_.take(frame.sequence, frame.time);
        if (frame.is(LinkType::hello) && frame.size >= LinkHello::size) {
            const LinkHello hello = LinkHello::get(frame.payload);
            sequence_.hello(hello.peer.boot, hello.sent);
            peer_ = hello.peer;
            met_ = true;
        }
        if (sequence_.restarts() != restarts) offset_known_ = false;  // its clock began anew
        if (needs_layout && (frame.layout != uint16_t(layout_) || (met_ && peer_.layout != layout_))) {
            ++counts_.other_layout;
            return LinkEvent::other_layout;
        }
        if (offset_known_ && late_us_ > 0 &&
            int32_t(uint32_t(now) + offset_ - frame.time) > int32_t(late_us_)) {
            ++counts_.late;
        }
        return event;
    }

    FrameReader<max_payload> reader_;
    LinkSequence sequence_;
    LinkCounts counts_;
    LinkPeer peer_;
    uint64_t layout_;
    uint32_t late_us_ = 0;
    uint32_t offset_ = 0;
    bool offset_known_ = false;
    bool met_ = false;
};

// Both directions of a link and the other board's clock.
template <size_t max_payload>
class Link {
  public:
    // Largest frame of the core's own on the wire: room for it makes every call below succeed.
    static constexpr size_t core_room = link_bound(largest_core_payload);

    Link(const LinkPeer& self, uint32_t baud) : sender_(self), receiver_(self.layout), clock_(limits(baud)) {}

    LinkSender& sender() { return sender_; }
    LinkReceiver<max_payload>& receiver() { return receiver_; }
    const LinkReceiver<max_payload>& receiver() const { return receiver_; }
    const ClockEstimate<>& clock() const { return clock_; }

    // Take one byte that came at `now`. Clock frames and hellos are dealt with here and come out as frames as
    // well.
    LinkEvent take(uint8_t byte, uint64_t now) {
        const LinkEvent event = receiver_.take(byte, now);
        if (event == LinkEvent::frame) deal(receiver_.frame(), now);
        return event;
    }

    // The port saw a byte without its stop bit, or lost some.
    LinkEvent cut(uint64_t now) { return receiver_.cut(now); }

    // Whether the other board has asked for this one's clock; answer() answers.
    bool asked() const { return asked_; }

    template <size_t room>
    Status hello(uint64_t now, uint8_t (&out)[room], size_t* written) {
        return sender_.hello(now, out, written);
    }

    // Ask for the other board's clock, once a second or more often; `now` as close to sending as can be.
    template <size_t room>
    Status ask(uint64_t now, uint8_t (&out)[room], size_t* written) {
        question_ = now;
        waiting_ = true;
        return sender_.send(LinkType::clock_request, LinkClock{now, 0, 0}, now, out, written);
    }

    // Answer the last question; bad_argument when there is none.
    template <size_t room>
    Status answer(uint64_t now, uint8_t (&out)[room], size_t* written) {
        if (!asked_) return Status::bad_argument;
        asked_ = false;
        return sender_.send(LinkType::clock_reply, LinkClock{their_question_, heard_, now}, now, out,
                            written);
    }

    // Tell the other board what was heard of it.
    template <size_t room>
    Status tell_counts(uint64_t now, uint8_t (&out)[room], size_t* written) {
        return sender_.send(LinkType::counters, receiver_.counts(), now, out, written);
    }

    // What the other board has heard, as far as it has told.
    const Aged<LinkCounts>& their_counts() const { return their_counts_; }

  private:
    static ClockLimits limits(uint32_t baud) {
        ClockLimits l;
        // Baud rates may differ by 2 % at either end (common practice): 5 % off is safe.
        l.least_us = uint32_t(wire_time_ns(link_bound(LinkClock::size), baud) * 95 / 100 / 1000);
        return l;
    }

    void deal(const LinkFrame& frame, uint64_t now) {
        if (frame.is(LinkType::hello)) {
            if (boot_known_ && receiver_.peer().boot != boot_) clock_.forget();
            boot_ = receiver_.peer().boot;
            boot_known_ = receiver_.met();
        } else if (frame.is(LinkType::clock_request) && frame.size == LinkClock::size) {
            their_question_ = LinkClock::get(frame.payload).asked;
            heard_ = now;
            asked_ = true;
        } else if (frame.is(LinkType::clock_reply) && frame.size == LinkClock::size) {
            const LinkClock reply = LinkClock::get(frame.payload);
            if (!waiting_ || reply.asked != question_) return;  // an answer to an older question
            waiting_ = false;
            if (clock_.take({reply.asked, reply.heard, reply.answered, now}) == Status::ok) {
                receiver_.set_offset(clock_.at(now).offset_us);
            }
        } else if (frame.is(LinkType::counters) && frame.size == LinkCounts::size) {
            their_counts_.set(LinkCounts::get(frame.payload), now);
        }
    }

    LinkSender sender_;
    LinkReceiver<max_payload> receiver_;
    ClockEstimate<> clock_;
    Aged<LinkCounts> their_counts_;
    uint64_t question_ = 0;
    uint64_t their_question_ = 0;
    uint64_t heard_ = 0;
    uint16_t boot_ = 0;
    bool boot_known_ = false;
    bool waiting_ = false;
    bool asked_ = false;
};

}  // namespace fifthwheel
