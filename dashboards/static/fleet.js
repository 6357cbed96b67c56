// The fleet list. The server sends finished texts and bar positions; here they are filtered, sorted by the
// server's keys, and the time since a unit was last heard keeps ticking without asking the server.
const before = (a, b) => {
  for (let i = 0; i < Math.max(a.length, b.length); i++) {
    if (a[i] === b[i]) continue;
    return a[i] < b[i] ? -1 : 1;
  }
  return 0;
};

export default {
  template: `
  <div class="dw-fleet">
    <h1 class="dw-hide">Fleet</h1>
    <p class="dw-summary" role="status">{{ summary }}</p>
    <p v-if="trouble" class="dw-trouble" role="alert">{{ trouble }}</p>
    <p v-else-if="quietS > 5" class="dw-trouble" role="alert">Not current: the board has not answered for {{ quietS }} s. It goes on by itself when it answers again.</p>
    <div class="dw-bar" v-if="all.length">
      <input ref="search" class="dw-search" type="search" v-model="query" aria-label="Filter trucks"
             placeholder="Filter by truck, yard, alarm  ( / )" autocomplete="off"
             @keydown.esc="leave" @keydown.enter.prevent="open" @keydown.down.prevent="move(1)" />
      <select class="dw-select" v-if="yards.length > 1" v-model="yard" aria-label="Yard">
        <option value="">All yards</option>
        <option v-for="name in yards" :key="name" :value="name">{{ name }}</option>
      </select>
      <span class="dw-count">{{ counts.running }} running · {{ counts.stopped }} stopped<template v-if="counts.unknown"> · {{ counts.unknown }} unknown</template> · {{ counts.silent }} silent</span>
      <button class="dw-button dw-small" type="button" @click="help = !help" :aria-expanded="help">Keys ?</button>
    </div>
    <div v-if="help" class="dw-help" role="note">
      <span><kbd>/</kbd> filter</span><span><kbd>j</kbd> <kbd>k</kbd> or <kbd>↓</kbd> <kbd>↑</kbd> move</span>
      <span><kbd>Enter</kbd> open</span><span><kbd>Esc</kbd> clear</span><span><kbd>?</kbd> this line</span>
    </div>
    <div v-if="!all.length" class="dw-empty">
      <div class="dw-empty-title">No truck has spoken yet.</div>
      <div>Trucks appear here by themselves with their first message on compressors/&lt;unit&gt;/readings, or after
      importing a log or a list of units.</div>
    </div>
    <div v-else-if="!shown.length" class="dw-empty">
      <div class="dw-empty-title">No truck matches.</div>
      <div><button class="dw-button" type="button" @click="clear">Show all {{ all.length }}</button></div>
    </div>
    <ul v-else class="dw-rows" aria-label="Trucks, most urgent first">
      <li v-for="(row, index) in shown" :key="row.id">
        <a class="dw-row" :class="['need-' + row.need, {here: index === at}]" :href="prefix + row.href"
           :ref="(el) => { if (index === at) current = el }" @focus="at = index">
          <span class="dw-who">
            <span class="dw-name">{{ row.label }}</span>
            <span class="dw-state" :class="'is-' + row.state">
              <svg viewBox="0 0 12 12" aria-hidden="true">
                <path v-if="row.state === 'running'" d="M2 1l9 5-9 5z" fill="currentColor"/>
                <rect v-else-if="row.state === 'stopped'" x="2" y="2" width="8" height="8" fill="currentColor"/>
                <path v-else-if="row.state === 'unknown'" d="M6 1.2l4.8 4.8-4.8 4.8-4.8-4.8z" fill="none" stroke="currentColor" stroke-width="1.6"/>
                <circle v-else cx="6" cy="6" r="4.3" fill="none" stroke="currentColor" stroke-width="1.6" stroke-dasharray="2 2"/>
              </svg>{{ row.state }}</span>
            <span class="dw-yard">{{ [row.yard, row.provisional ? "ratings not confirmed" : ""].filter(Boolean).join(" · ") }}</span>
          </span>
          <template v-if="row.heard_ms !== null">
          <span class="dw-cell dw-temp">
            <span class="dw-cap">Discharge</span>
            <span class="dw-fig"><b :class="{doubted: row.temp_doubted}">{{ row.temp }}</b> <span class="dw-sub">needs {{ row.required }}</span></span>
            <span class="dw-bullet" aria-hidden="true" title="Bar: discharge temperature. Mark: temperature it needs to stay dry.">
              <i v-if="row.temp_at !== null" :class="{hot: row.hot}" :style="{width: row.temp_at + '%'}"></i>
              <s v-if="row.required_at !== null" :style="{left: row.required_at + '%'}"></s>
            </span>
            <span v-if="row.gap_warns" class="dw-tag caution">⚠ {{ row.gap }}</span><span v-else class="dw-sub">{{ row.gap }}</span>
          </span>
          <span class="dw-cell dw-pressure">
            <span class="dw-cap">Sump pressure</span>
            <span class="dw-fig"><b :class="{doubted: row.pressure_note === 'untrusted'}">{{ row.pressure }}</b></span>
            <span v-if="row.pressure_note === 'untrusted'" class="dw-tag caution" title="Not to be gone by: confirm with a second gauge">⚠ untrusted</span><span v-else class="dw-sub">{{ row.pressure_note }}</span>
          </span>
          <span class="dw-cell dw-water">
            <span class="dw-cap">Water held</span>
            <span class="dw-fig"><b>{{ row.water }}</b> <span class="dw-sub">{{ row.water_band }}</span></span>
            <span class="dw-bullet dw-waterbar" aria-hidden="true" title="Bar: water held, low to high behind it. Mark: amount from which it harms.">
              <em v-if="row.water_low_at !== null" :style="{left: row.water_low_at + '%', width: Math.max(row.water_high_at - row.water_low_at, 0.5) + '%'}"></em>
              <i v-if="row.water_at !== null" :class="row.water_level" :style="{width: row.water_at + '%'}"></i>
              <s style="left: 50%"></s>
            </span>
            <span class="dw-sub" :title="row.dry_out_why"><template v-if="row.water_level in levels">{{ levels[row.water_level] }}</template><template v-if="row.water_level in levels && row.dry_out"> · </template>{{ row.dry_out }}</span>
          </span>
          <span class="dw-cell dw-hours"><span class="dw-cap">Hours</span><span class="dw-fig">{{ row.hours }}</span></span>
          <span class="dw-cell dw-heard"><span class="dw-cap">Heard</span><span class="dw-fig">{{ ago(row.heard_ms) }}</span><span v-if="row.link" class="dw-sub">link {{ row.link }}</span></span>
          </template>
          <span v-else class="dw-cell dw-nothing">No reading worked through yet.</span>
          <span class="dw-cell dw-alarms">
            <span v-for="alarm in row.alarms" :key="alarm.title" class="dw-tag" :class="[alarm.state, 'p-' + alarm.priority]">
              <template v-if="alarm.state === 'unacknowledged'">● </template><template v-else-if="alarm.state === 'acknowledged'">✓ </template><template v-else-if="alarm.state === 'shelved'">⏸ </template><template v-else>↩ </template>{{ alarm.title }}<span class="dw-hide">, {{ alarm.state }}</span></span>
          </span>
        </a>
      </li>
    </ul>
  </div>`,
  props: { first: Object },
  data() {
    return {
      byId: {}, summary: "", counts: {}, yards: [], trouble: "",
      heardAt: Date.now(), quietS: 0,
      query: "", yard: "", at: -1, help: false, skewMs: 0, nowMs: Date.now(), prefix: "", current: null,
    };
  },
  created() {
    this.patch(this.first);
    const wanted = new URLSearchParams(location.search);
    this.query = wanted.get("q") || "";
    this.yard = wanted.get("yard") || "";
  },
  mounted() {
    this.prefix = window.path_prefix || "";
    this.ticker = setInterval(() => {
      this.nowMs = Date.now() - this.skewMs;
      this.quietS = Math.floor((Date.now() - this.heardAt) / 1000);
    }, 1000);
    window.addEventListener("keydown", this.key);
  },
  beforeUnmount() {
    clearInterval(this.ticker);
    window.removeEventListener("keydown", this.key);
  },
  computed: {
    levels: () => ({ harmful: "harmful", near: "near harmful", unknown: "not known" }),
    all() { return Object.values(this.byId).sort((a, b) => before(a.key, b.key)); },
    shown() {
      const words = this.query.toLowerCase().split(/\s+/).filter(Boolean);
      return this.all.filter((row) => (!this.yard || row.yard === this.yard)
        && words.every((word) => this.text(row).includes(word)));
    },
  },
  watch: {
    query() { this.remember(); },
    yard() { this.remember(); },
  },
  methods: {
    patch(changes) {
      const rows = { ...this.byId };
      for (const row of changes.rows) rows[row.id] = row;
      for (const id of changes.removed) delete rows[id];
      if (changes.rows.length || changes.removed.length) this.byId = rows;
      this.summary = changes.summary;
      this.counts = changes.counts;
      this.yards = changes.yards;
      this.skewMs = Date.now() - changes.now_ms;
      this.nowMs = changes.now_ms;
      this.trouble = "";
      this.heardAt = Date.now();
      this.quietS = 0;
    },
    setTrouble(text) { this.trouble = text; this.heardAt = Date.now(); },
    text(row) {
      return [row.label, row.id, row.yard, row.customer, row.state, ...row.alarms.map((alarm) => alarm.title),
        row.pressure_note].join(" ").toLowerCase();
    },
    ago(heardMs) {
      const s = Math.max(0, (this.nowMs - heardMs) / 1000);
      if (s < 5) return "now";
      if (s < 60) return Math.floor(s) + " s ago";
      if (s < 3600) return Math.floor(s / 60) + " min ago";
      if (s < 86400) return Math.floor(s / 3600) + " h ago";
      return Math.floor(s / 86400) + " d ago";
    },
    remember() {
      this.at = -1;
      const url = new URL(location);
      for (const [name, value] of [["q", this.query], ["yard", this.yard]]) {
        if (value) url.searchParams.set(name, value); else url.searchParams.delete(name);
      }
      history.replaceState(history.state, "", url);
    },
    clear() { this.query = ""; this.yard = ""; },
    leave() { this.query = ""; this.$refs.search.blur(); },
    move(step) {
      if (!this.shown.length) return;
      this.at = Math.min(Math.max(this.at + step, 0), this.shown.length - 1);
      this.$nextTick(() => { this.current?.focus({ preventScroll: true }); this.current?.scrollIntoView({ block: "nearest" }); });
    },
    open() {
      const row = this.shown[Math.max(this.at, 0)];
      if (row) location.href = this.prefix + row.href;
    },
    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) return;
      const moves = { j: 1, ArrowDown: 1, k: -1, ArrowUp: -1 };
      if (event.key === "/") { event.preventDefault(); this.$refs.search?.focus(); }
      else if (event.key in moves) { event.preventDefault(); this.move(moves[event.key]); }
      else if (event.key === "Enter" && this.at >= 0) { event.preventDefault(); this.open(); }
      else if (event.key === "Escape") { this.help = false; this.clear(); }
      else if (event.key === "?") this.help = !this.help;
    },
  },
};
