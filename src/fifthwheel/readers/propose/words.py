"""Header words -> glossary channels, in the spellings of several languages, with the unit that the header states."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from fifthwheel.data import WHEELS
from fifthwheel.glossary import CHANNELS
from fifthwheel.readers.propose.unitwords import DIMENSIONS, unit_of

_WORDS: dict[str, str] = {
    "TIME": "tijd time zeit temps tiempo tempo timestamp ts clock tstamp epoch unix utc elapsed datetime uhrzeit hora "
    "heure ora "
            "timer t millis micros zeitstempel horodatage tick ticktime systime uptime sec seconds laufzeit stamp",
    "DATE": "date datum fecha data",
    "WHEEL": "wiel wheel whl wh roue rueda ruota wheels raeder rader rad w roda tire hub",
    "SPEED": "velocidade snelheid speed spd vel velocity v geschwindigkeit geschw vitesse velocidad velocita gspeed "
    "speeds",
    "ROT": "omega n drehzahl giri regime rotation rot revs tacho tach rpm rps angvel umdrehungen vueltas",
    "ERPM": "erpm elrpm edrehzahl electricalrpm eomega",
    "ANGLE": "angle winkel ang angolo angulo position pos phase theta",
    "ENC": "enc encoder geber codeur codificador abs",
    "COUNT": "count counts cnt ticks pulses pulse impulse impulsions pulsos impulsi counter zaehler zahler turned "
    "odometer dist",
    "STEP": "step dcount delta inc diff increment dpos dticks dticks dpulses dangle schritt",
    "ERROR": "error errors err fault fehler erreur errore crcerr bad lost drops dropped",
    "MOTOR": "motor mot engine moteur motore mtr m",
    "CTRL": "esc controller ctrl fet mos mosfet inverter regler variateur regolatore driver vesc",
    "BRAKE": "rem freio brake brk bremse brems frein freno disc disk rotor brakes scheibe",
    "TYRE": "tyre tire reifen pneu neumatico gomma",
    "TEMP": "temp temperature temperatur temperatura tmp",
    "CURRENT": "current curr strom courant corriente corrente amps amp i amperage ibat ibatt imot",
    "VOLT": "tensao spanning voltage volt volts spannung tension voltaje tensione u vbat vbatt vbus vin ubat upack "
    "vpack",
    "BATTERY": "batt bat battery akku batterie bateria batteria pack lipo vbat vbatt vbus ubat ibat ibatt accu bus "
    "vpack upack",
    "INPUT": "input in",
    "SUPPLY": "supply rail vcc vdd 5v 3v3 bec 5v0 servorail v5 logic",
    "DUTY": "duty dutycycle pwmduty tastgrad",
    "CHARGE": "charge mah used consumed ladung drawn ah capacity kapazitaet",
    "ACCEL": "accel ac aceleracao versnelling versn acc acceleration accelerometer beschleunigung beschl accelerazione "
    "aceleracion a lin linear linaccel acel "
             "accelero imua acceler gforce g",
    "GYRO": "gyro gyr gyroscope giro gyroskop giroscopio drehrate turnrate angrate gyros imug gy omegaimu girosc",
    "MAG": "mag magnet magnetometer magneto compass",
    "IMU": "imu mpu inertial sensor ins",
    "LONGD": "longitudinal laengs langs fwd forward longit long avance",
    "LATD": "sideways sidewards lateral quer lat side seitlich transversal laterale transv",
    "VERTD": "vertical vert vertikal hoch verticale up heave",
    "YAW": "guinada yaw turn gier lacet guinada imbardata gierwinkel",
    "ROLL": "roll wank roulis rollio balanceo wanken rollwinkel",
    "PITCH": "pitch nick tangage beccheggio cabeceo nicken",
    "RATE": "rate rates taxa snelheid geschwindigkeit velocidad vitesse velocita",
    "GNSS": "gps gnss gnss gpsd sat receiver empfaenger rtk",
    "LATI": "latitude latitud latitudine breite breitengrad lat",
    "LONGI": "longitude longitud longitudine lon lng long laenge lange laengengrad",
    "ALT": "alt altitude altitud altitudine hoehe hohe height elevation ele msl hmsl",
    "COURSE": "course cog heading head hdg kurs cap rumbo rotta track bearing headmot headingmotion azimuth",
    "SOG": "sog ground groundspeed gspeed gndspd",
    "NORTH": "north nord veln vn norte", "EAST": "east vele ve este ost est", "DOWN": "down veld vd",
    "SATS": "sats sat satellites satellite numsv nsat nsats satelliten numsats sv svs satelites",
    "VIEW": "view visible inview sichtbar", "FIX": "fix fixtype fixq quality mode3d fixstatus",
    "HDOP": "hdop", "VDOP": "vdop", "PDOP": "pdop",
    "ACCURACY": "accuracy precision genauigkeit eph uncertainty", "HACC": "hacc epe", "VACC": "vacc epv",
    "SACC": "sacc eps",
    "THROTTLE": "throttle thr gas gaz acelerador acceleratore accelerateur gaspedal pedal thrtl tps accelerator throt",
    "STEER": "steer steering lenk lenkung lenkwinkel direction direccion sterzo str volant servo braquage strg",
    "SETPOINT": "setpoint target soll consigne cmd command desired sollwert ref demand",
    "MARKER": "marker mark flag event lap marke button trigger marque",
    "AIR": "air luft aire aria ambient amb outside umgebung ambiente exterieur",
    "PRESSURE": "pressure druck baro pression presion pressione barometer press",
    "HUMIDITY": "humidity feuchte hum humidite humedad umidita rh", "BOARD": "board mcu cpu platine pcb chip core box",
    "ROW": "row seq sequence idx index line frame rowno nr zeile sample packet num record samples id no",
    "DT": "dt timestep deltat tdelta",
    "BOOT": "boot boots reset resets restart bootcount", "LOOP": "loop cycle looptime zyklus exec",
    "LINK": "link crc uart frames packets packetloss comm rxerr linkerr serial",
    "RADIO": "rssi radio lq signal rx lqi snr",
    "FRONT": "front fr f vorn vorne vorder avant delantera delantero ant anteriore anterior del vorderachse",
    "REAR": "rear back hinten hinter heck arriere tras trasera trasero post posteriore posterior hinterachse rr_",
    "LEFT": "left l li links gauche izq izquierda izquierdo sx sinistra",
    "RIGHT": "right r re rechts droite der derecha derecho dx destra",
    "THROTTLE_CH": "rc pwm ch channel",
    "WIND": "wind", "TURBO": "gear gang marcha rapport",
    "JUNK": "adjust spare reserved dummy unused foo firmware version comment remark note notes bemerkung status state "
    "mode",
    "MAX": "max min limit limits avg mean",
}  # fmt: skip

_CODES = {
    "fl": "fl", "lf": "fl", "vl": "fl", "avg": "fl", "di": "fl", "as": "fl",
    "fr": "fr", "rf": "fr", "vr": "fr", "avd": "fr", "dd": "fr", "ad": "fr",
    "rl": "rl", "lr": "rl", "hl": "rl", "arg": "rl", "ti": "rl", "ps": "rl", "bl": "rl",
    "fe": "fl", "fd": "fr", "te": "rl", "lv": "fl", "rv": "fr", "la": "rl", "ra": "rr",
    "rr": "rr", "hr": "rr", "ard": "rr", "td": "rr", "pd": "rr", "br": "rr",
}  # fmt: skip
"""Two- and three-letter words for a wheel: English, German, French, Spanish, Italian, Portuguese, Dutch."""

_SPECIAL = {
    "ax": ("ACCEL", "x"), "ay": ("ACCEL", "y"), "az": ("ACCEL", "z"),
    "gx": ("GYRO", "x"), "gy": ("GYRO", "y"), "gz": ("GYRO", "z"),
    "wx": ("GYRO", "x"), "wy": ("GYRO", "y"), "wz": ("GYRO", "z"),
    "mx": ("MAG", "x"), "my": ("MAG", "y"), "mz": ("MAG", "z"),
}  # fmt: skip

_BY_WORD: dict[str, set[str]] = {}
for _concept, _spelled in _WORDS.items():
    for _word in _spelled.split():
        _BY_WORD.setdefault(_word, set()).add(_concept)

_SPEAKING_UNITS = {
    "rpm": ("rpm", "ROT"), "rps": ("turn/s", "ROT"), "erpm": ("rpm", "ERPM"), "kmh": ("km/h", "SPEED"), "kph": ("km/h",
    "SPEED"),
    "mph": ("mph", "SPEED"), "kn": ("kn", "SPEED"), "kts": ("kn", "SPEED"), "knots": ("kn", "SPEED"), "dps": ("deg/s",
    ""), "rads": ("rad/s", ""),
    "radps": ("rad/s", ""), "mps": ("m/s", "SPEED"), "amps": ("A", "CURRENT"), "volts": ("V", "VOLT"), "mv": ("mV", ""),
    "pct": ("%", ""),
    "mps2": ("m/s2", ""), "mah": ("mAh", "CHARGE"), "us": ("us", ""), "millis": ("ms", "TIME"), "micros": ("us",
    "TIME"), "ms": ("ms", ""),
    "hpa": ("hPa", "PRESSURE"), "degc": ("degC", ""), "mg": ("mg", ""), "mdps": ("mdeg/s", ""), "upm": ("rpm", "ROT"),
    "usec": ("us", ""),
    "raw": ("counts", ""), "lsb": ("counts", ""), "ticks": ("counts", "COUNT"), "counts": ("counts", "COUNT"),
    "pulses": ("counts", "COUNT"),
    "count": ("counts", "COUNT"), "dcount": ("counts", "STEP"), "deg": ("deg", ""), "percent": ("%", ""), "dbm": ("dB",
    ""), "celsius": ("degC", "TEMP"),
}  # fmt: skip
"""Words that are a unit wherever they stand, and the concept they bring along."""

# (channel, concepts that must be there, concepts that must not, strength). {w} wheel, {a} axis, {m} motor.
_RULES: list[tuple[str, str, str, float]] = [
    ("wheel_step_{w}", "WP STEP", "MOTOR", 0.92),
    ("wheel_error_{w}", "WP ERROR", "MOTOR", 0.93),
    ("brake_temperature_{w}", "WP BRAKE TEMP", "", 0.97),
    ("tyre_temperature_{w}", "WP TYRE TEMP", "BRAKE", 0.97),
    ("tyre_temperature_{w}", "WP WHEEL TEMP", "BRAKE", 0.7),
    ("wheel_angle_{w}", "WP ANGLE", "STEP MOTOR SPEED ROT", 0.85),
    ("wheel_angle_{w}", "WP ENC", "STEP MOTOR SPEED ROT ERROR", 0.8),
    ("wheel_angle_{w}", "WP COUNT", "STEP MOTOR SPEED ROT ERROR", 0.75),
    ("wheel_turned_{w}", "WP COUNT", "STEP MOTOR SPEED ROT ERROR", 0.78),
    ("wheel_turned_{w}", "WP ANGLE", "STEP MOTOR SPEED ROT", 0.6),
    ("wheel_turned_{w}", "WP ENC", "STEP MOTOR SPEED ROT ERROR", 0.6),
    ("wheel_speed_{w}", "WP WHEEL ROT", "MOTOR", 0.97),
    ("wheel_speed_{w}", "WP WHEEL SPEED", "MOTOR", 0.97),
    ("wheel_speed_{w}", "WP ROT", "MOTOR", 0.93),
    ("wheel_speed_{w}", "WP SPEED", "MOTOR", 0.93),
    ("wheel_speed_{w}", "WP ENC SPEED", "MOTOR", 0.95),
    ("wheel_speed_{w}", "WP WHEEL", "MOTOR TEMP CURRENT DUTY VOLT COUNT STEP ANGLE ENC ERROR BRAKE TYRE", 0.85),
    ("wheel_speed_{w}", "WP", "MOTOR TEMP CURRENT DUTY VOLT COUNT STEP ANGLE ENC ERROR BRAKE TYRE STEER ACCEL", 0.55),
    ("motor_speed_{w}", "WP MOTOR ROT", "", 0.96),
    ("motor_speed_{w}", "WP MOTOR SPEED", "", 0.95),
    ("motor_speed_{w}", "WP ERPM", "", 0.96),
    ("motor_speed", "ERPM", "WP", 0.95),
    ("motor_speed{m}", "MOTOR ROT", "WP", 0.96),
    ("motor_speed{m}", "MOTOR SPEED", "WP", 0.94),
    ("motor_speed", "ROT", "WP WHEEL GYRO LATI", 0.6),
    ("motor_current_{w}", "WP MOTOR CURRENT", "", 0.96),
    ("motor_current_{w}", "WP CURRENT", "BATTERY", 0.9),
    ("motor_duty_{w}", "WP DUTY", "", 0.95),
    ("motor_temperature_{w}", "WP MOTOR TEMP", "", 0.96),
    ("controller_temperature_{w}", "WP CTRL TEMP", "", 0.96),
    ("motor_current{m}", "MOTOR CURRENT", "WP BATTERY", 0.96),
    ("motor_current", "CTRL CURRENT", "BATTERY INPUT WP", 0.7),
    ("battery_current", "BATTERY CURRENT", "MOTOR", 0.96),
    ("battery_current", "INPUT CURRENT", "MOTOR", 0.92),
    ("battery_current", "CURRENT", "MOTOR WP BATTERY INPUT", 0.6),
    ("motor_duty{m}", "DUTY", "WP", 0.93),
    ("motor_temperature{m}", "MOTOR TEMP", "WP CTRL", 0.97),
    ("controller_temperature{m}", "CTRL TEMP", "WP", 0.96),
    ("battery_temperature", "BATTERY TEMP", "WP MOTOR", 0.96),
    ("air_temperature", "AIR TEMP", "WP MOTOR", 0.96),
    ("board_temperature", "BOARD TEMP", "", 0.95),
    ("inertial_temperature", "IMU TEMP", "", 0.95),
    ("inertial_temperature", "GYRO TEMP", "", 0.93),
    ("inertial_temperature", "TEMP", "WP MOTOR CTRL BATTERY AIR BOARD BRAKE TYRE", 0.25),
    ("battery_voltage", "BATTERY VOLT", "", 0.97),
    ("battery_voltage", "INPUT VOLT", "SUPPLY", 0.9),
    ("battery_voltage", "BATTERY", "CURRENT TEMP CHARGE", 0.85),
    ("battery_voltage", "VOLT", "SUPPLY SPEED WP MOTOR CURRENT", 0.65),
    ("supply_voltage", "SUPPLY", "CURRENT", 0.9),
    ("supply_voltage", "BOARD VOLT", "", 0.9),
    ("battery_charge", "CHARGE", "", 0.92),
    ("accel_{a}", "ACCEL AX", "", 0.97),
    ("accel_x", "LONGD ACCEL", "LONGI_ONLY", 0.95),
    ("accel_y", "LATD ACCEL", "", 0.95),
    ("accel_z", "VERTD ACCEL", "", 0.95),
    ("gyro_{a}", "GYRO AX", "", 0.97),
    ("gyro_z", "YAW RATE", "", 0.96),
    ("gyro_z", "YAW GYRO", "", 0.96),
    ("gyro_y", "PITCH RATE", "", 0.95),
    ("gyro_y", "PITCH GYRO", "", 0.95),
    ("gyro_x", "ROLL RATE", "", 0.95),
    ("gyro_x", "ROLL GYRO", "", 0.95),
    ("gyro_z", "GYRO", "AX TEMP", 0.4),
    ("mag_{a}", "MAG AX", "", 0.97),
    ("yaw", "YAW", "RATE GYRO", 0.93),
    ("roll", "ROLL", "RATE GYRO", 0.95),
    ("pitch", "PITCH", "RATE GYRO", 0.95),
    ("gnss_time", "GNSS TIME", "", 0.9),
    ("gnss_latitude", "LATI", "ACCEL", 0.96),
    ("gnss_longitude", "LONGI", "ACCEL", 0.96),
    ("gnss_altitude", "ALT", "", 0.94),
    ("gnss_speed", "GNSS SPEED", "ACCURACY NORTH EAST DOWN", 0.96),
    ("gnss_speed", "SOG", "", 0.95),
    ("gnss_speed", "SPEED", "WHEEL WP MOTOR SETPOINT WIND NORTH EAST DOWN ACCURACY GNSS YAW ROT GYRO VOLT", 0.6),
    ("gnss_course", "GNSS COURSE", "", 0.95),
    ("gnss_course", "COURSE", "GNSS STEER", 0.85),
    ("gnss_velocity_north", "NORTH", "", 0.94),
    ("gnss_velocity_east", "EAST", "", 0.94),
    ("gnss_velocity_down", "DOWN", "", 0.9),
    ("gnss_satellites_in_view", "SATS VIEW", "", 0.95),
    ("gnss_satellites", "SATS", "VIEW", 0.94),
    ("gnss_fix", "FIX", "", 0.93),
    ("gnss_hdop", "HDOP", "", 0.97),
    ("gnss_vdop", "VDOP", "", 0.97),
    ("gnss_pdop", "PDOP", "", 0.97),
    ("gnss_horizontal_accuracy", "HACC", "", 0.93),
    ("gnss_vertical_accuracy", "VACC", "", 0.93),
    ("gnss_speed_accuracy", "SACC", "", 0.93),
    ("gnss_speed_accuracy", "SPEED ACCURACY", "", 0.93),
    ("gnss_horizontal_accuracy", "GNSS ACCURACY", "SPEED", 0.7),
    ("speed_setpoint", "SETPOINT SPEED", "MOTOR", 0.93),
    ("speed_setpoint", "SETPOINT", "THROTTLE BRAKE STEER SPEED CURRENT MOTOR", 0.6),
    ("throttle", "THROTTLE", "TEMP", 0.95),
    ("throttle", "CTRL THROTTLE_CH", "TEMP CURRENT VOLT ROT", 0.7),
    ("throttle", "CTRL", "TEMP CURRENT VOLT ROT ERPM DUTY ERROR", 0.5),
    ("brake", "BRAKE", "TEMP WP", 0.95),
    ("steer", "STEER", "TEMP SUPPLY", 0.93),
    ("steer_command", "STEER", "TEMP SUPPLY", 0.92),
    ("marker", "MARKER", "", 0.85),
    ("air_pressure", "PRESSURE", "TYRE BRAKE", 0.93),
    ("air_humidity", "HUMIDITY", "", 0.95),
    ("row_counter", "ROW", "GNSS LATI SATS", 0.85),
    ("row_counter", "ROW COUNT", "", 0.93),
    ("time_step", "DT", "", 0.93),
    ("time_step", "STEP TIME", "", 0.93),
    ("boot_counter", "BOOT", "", 0.93),
    ("loop_time", "LOOP", "", 0.92),
    ("link_errors", "LINK ERROR", "WP", 0.94),
    ("link_errors", "LINK", "ERROR", 0.6),
    ("radio_signal", "RADIO", "", 0.93),
    ("clock", "TIME", "STEP LOOP GNSS DT", 0.95),
]  # fmt: skip


@dataclass(frozen=True)
class Words:
    """What a header says. channels: (glossary channel or "clock", strength 0..1), best first. unit: as stated, ""
    when none. concepts: what its words mean. side: "left" or "right" without an axle. number, axis: as told."""

    text: str
    channels: tuple[tuple[str, float], ...]
    unit: str
    concepts: frozenset[str]
    side: str = ""
    number: int = 0
    axis: str = ""


@lru_cache(maxsize=4096)
def read_header(text: str, units_cell: str = "") -> Words:
    """Return what a header text and its cell of the units row say."""
    if text.startswith("#") and text[1:].isdigit():
        return Words(text, (), unit_of(units_cell), frozenset())
    plain, unit = _cut_unit(text)
    unit = unit_of(units_cell) or unit
    task = re.fullmatch(r"(task_time_[a-z0-9_]+?)(?:_(us|ms|ns|s))?", plain.strip().lower())
    if task is not None and task[1] in CHANNELS:
        return Words(text, ((task[1], 0.97),), unit or task[2] or "", frozenset())
    best: Words | None = None
    for tokens, found in _readings(plain, unit):
        words = _interpret(text, tokens, found)
        if best is None or _worth(words) > _worth(best):
            best = words
    assert best is not None
    return best


def _worth(words: Words) -> tuple[float, int]:
    return (words.channels[0][1] if words.channels else 0.0, int(words.unit != ""))


def _cut_unit(text: str) -> tuple[str, str]:
    """Return (text without a bracketed unit or an " in UNIT" ending, unit)."""
    unit = ""
    for match in re.finditer(r"[\[({<]([^\])}>]*)[\])}>]", text):
        if unit_of(match[1]):
            unit = unit_of(match[1])
            text = text.replace(match[0], " ")
            break
    match_in = re.search(r"\s(?:in|en)\s+(\S+)\s*$", text)
    if not unit and match_in and unit_of(match_in[1]):
        unit, text = unit_of(match_in[1]), text[: match_in.start()]
    return text, unit


def _plain(text: str) -> str:
    text = (
        text.replace("ß", "ss")
        .replace("%", " pct ")
        .replace("°C", " degc ")
        .replace("°/s", " dps ")
        .replace("°F", " degf ")
    )
    text = (
        text.replace("µs", "us")
        .replace("μs", "us")
        .replace("m/s²", " mps2 ")
        .replace("m/s2", " mps2 ")
        .replace("°", " deg ")
    )
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def _tokens(text: str, camel: bool = True) -> list[str]:
    text = re.sub(r"(?<![A-Za-z])\d+V\d*(?![A-Za-z])", " 5v ", _plain(text))
    if camel:
        text = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", text)
        text = re.sub(r"(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    return [token.lower() for token in re.split(r"[^0-9A-Za-z/]+", text) if token]


def _readings(text: str, unit: str) -> list[tuple[list[str], str]]:
    """Return possible readings: (tokens, unit), split at capitals or not, a unit taken off its end or not."""
    whole, split = _tokens(text, camel=False), _tokens(text)
    readings = _tail_readings(whole, unit)  # first, so that mV and hPa stay whole when both readings serve
    if whole != split:
        readings += _tail_readings(split, unit)
    raised = re.search(r"_?(?:e|1e)([1-9])$", text)
    if raised:
        readings.append((_tokens(text[: raised.start()]), f"1e-{raised[1]}"))
    if "".join(whole) in _BY_WORD:
        readings.append((["".join(whole)], unit))
    return readings


def _tail_readings(tokens: list[str], unit: str) -> list[tuple[list[str], str]]:
    readings = [(tokens, unit)]
    if unit:
        return readings
    for size in (3, 2, 1):
        if len(tokens) > size:
            tail = tokens[-size:]
            shape = ("/".join(tail) if size == 2 else "".join(tail)) if size > 1 else tail[0]
            found = {"m/s/2": "m/s2", "ms2": "m/s2", "m/s": "m/s"}.get(shape) or unit_of(shape)
            if size == 3 and tail[:2] == ["m", "s"] and tail[2] == "2":
                found = "m/s2"
            if size == 2 and tail == ["m", "s2"]:
                found = "m/s2"
            if found and not (size == 1 and shape in _CODES):
                readings.append((tokens[:-size], found))
    return readings


def _interpret(text: str, tokens: list[str], unit: str) -> Words:
    concepts: set[str] = set()
    if len(tokens) == 1 and unit_of(tokens[0]) in {"ms", "us", "s"}:
        concepts.add("TIME")
    axis = wheel = side = ""
    number = 0
    for token in _segmented(tokens):
        if token in _SPEAKING_UNITS:
            told, concept = _SPEAKING_UNITS[token]
            unit = unit or told
            concepts |= {concept} - {""}
        if token in _CODES and not wheel:
            wheel = _CODES[token]
        elif token in _SPECIAL:
            concepts.add(_SPECIAL[token][0])
            axis = _SPECIAL[token][1]
        elif token in {"x", "y", "z"}:
            axis = token
        elif token.isdigit() and len(token) == 1:
            number = int(token)
        else:
            concepts |= _BY_WORD.get(token, set())
    wheel, side = _wheel_of(wheel, concepts)
    _settle(concepts, unit, axis, wheel)
    channels = _match(concepts, axis, wheel)
    fitting = [(name, strength) for name, strength in channels if _fits(name, unit)]
    if unit and not fitting and channels:
        fitting = [(name, strength * 0.8) for name, strength in channels]
    return Words(text, tuple(fitting), unit, frozenset(concepts), side, number, axis)


def _wheel_of(wheel: str, concepts: set[str]) -> tuple[str, str]:
    """Return (wheel, side): the wheel when front/rear and left/right are both told, else the side alone."""
    axle = "f" if "FRONT" in concepts else "r" if "REAR" in concepts else ""
    side = "left" if "LEFT" in concepts else "right" if "RIGHT" in concepts else ""
    if not wheel and axle and side:
        wheel = axle + side[0]
    return wheel, side if not wheel else ""


def _settle(concepts: set[str], unit: str, axis: str, wheel: str) -> None:
    """Resolve words of two meanings by their company."""
    accel_unit = unit in {"m/s2", "g", "mg", "cm/s2"}
    if accel_unit and (axis or concepts & {"LONGD", "LATD", "VERTD"}):
        concepts.add("ACCEL")
    if concepts & {"LONGD", "LATD"} and "ACCEL" not in concepts and unit not in {"m/s2", "g", "mg"}:
        concepts -= {"LONGD", "LATD"}
    if "ACCEL" in concepts:
        concepts |= {"LATD"} if "LATI" in concepts else {"LONGD"} if "LONGI" in concepts else set()
        concepts -= {"LATI", "LONGI"}
    if axis and "ROT" in concepts and not wheel:
        concepts.discard("ROT")
        concepts.add("GYRO")
    if unit in {"deg/s", "rad/s", "mdeg/s"} and concepts & {"YAW", "ROLL", "PITCH"}:
        concepts.add("RATE")
    if unit in {"deg/s", "mdeg/s"} and axis:
        concepts.add("GYRO")
    if "YAW" in concepts and concepts & {"SPEED", "RATE", "ROT"}:
        concepts -= {"SPEED", "ROT"}
        concepts.add("RATE")
    if "TYRE" in concepts and "TEMP" not in concepts:
        concepts.discard("TYRE")
    if axis:
        concepts.add("AX")
    if wheel:
        concepts.add("WP")
    if unit in {"rpm", "turn/s"} and wheel and not concepts & {"MOTOR", "ERPM", "SPEED"}:
        concepts.add("ROT")
    if unit in {"degC", "degF"} or (unit == "K" and "TEMP" in concepts):
        concepts.add("TEMP")
    if unit in {"A", "mA"} and not concepts & {"CHARGE"}:
        concepts.add("CURRENT")
    if unit in {"V", "mV"}:
        concepts.add("VOLT")


def _match(concepts: set[str], axis: str, wheel: str) -> list[tuple[str, float]]:
    motor = "_front" if "FRONT" in concepts else "_rear" if "REAR" in concepts else ""
    found: dict[str, tuple[int, float]] = {}
    for channel, must, mustnot, strength in _RULES:
        needed = set(must.split())
        if needed <= concepts and not set(mustnot.split()) & concepts:
            name = channel.format(w=wheel, a=axis, m=motor)
            if "JUNK" in concepts:
                strength *= 0.3
            if "MAX" in concepts:
                strength *= 0.6
            if name == "clock" or name in CHANNELS:
                rank = (len(needed), strength)
                found[name] = max(found.get(name, (0, 0.0)), rank)
    ordered = sorted(found.items(), key=lambda item: (item[1][0], item[1][1]), reverse=True)
    top = ordered[0][1][0] if ordered else 0
    return [(name, s if needed == top else s * 0.8) for name, (needed, s) in ordered]


def _fits(channel: str, unit: str) -> bool:
    """Return whether a unit can belong to a channel (rim speeds, pulses and unnamed device units included)."""
    if not unit or unit.startswith("1e-"):
        return True
    if unit == "gauss":
        return channel.startswith("mag_")
    if channel == "clock":
        return unit in {"s", "ms", "us", "ns", "min", "counts", "1"}
    si = CHANNELS[channel].unit
    extra: tuple[str, ...] = ()
    if channel.startswith("wheel_speed"):
        extra = DIMENSIONS["m/s"]
    if channel in {"throttle", "brake", "steer_command", "steer"}:
        extra = ("us", "%", "counts", "1", "ms")
    if channel.startswith("wheel_") and not channel.startswith("wheel_speed"):
        extra = ("counts", "deg", "rad", "turn")
    return unit in DIMENSIONS.get(si, (si,)) or unit in extra


def _segmented(tokens: list[str]) -> list[str]:
    """Return tokens with joined words taken apart ("raddrehzahl" -> "rad", "drehzahl"; "w1" -> "w", "1")."""
    out: list[str] = []
    for token in tokens:
        out += _segment(token) or [token]
    return out


@lru_cache(maxsize=4096)
def _segment(token: str) -> list[str]:
    if token in _BY_WORD or token in _CODES or token in _SPECIAL or token in _SPEAKING_UNITS or len(token) <= 1:
        return [token]
    split = re.findall(r"[a-z]+|\d+", token)
    if len(split) > 1:
        out: list[str] = []
        for part in split:
            out += _segment(part) or [part]
        return out
    best: list[list[str] | None] = [[]] + [None] * len(token)
    for end in range(1, len(token) + 1):
        for start in range(end):
            piece, before = token[start:end], best[start]
            if before is None or not _is_piece(piece, start, end == len(token)):
                continue
            now = best[end]
            if now is None or len(before) + 1 < len(now):
                best[end] = [*before, piece]
    return best[-1] or []


def _is_piece(piece: str, start: int, last: bool) -> bool:
    if len(piece) >= 3 and (piece in _BY_WORD or piece in _SPEAKING_UNITS or piece in _CODES):
        return True
    if piece in _CODES and len(piece) == 2 and (start == 0 or last):
        return True
    return (len(piece) == 1 and piece in "xyz" and (last or start == 0)) or (piece in {"w", "n", "v"} and start == 0)


__all__ = ["WHEELS", "Words", "read_header"]
