// SPDX-License-Identifier: Apache-2.0

import { useAsked } from './ask'
import { readBus, type BusLine } from './bus'
import { Waiting } from './Care'
import { pagesOf } from './care'
import { Back, usePages } from './lists'
import { lines } from './measure'
import { moment } from './moment'
import { say } from './say'
import type { Acts, Room } from './screens'

/** How often the list is asked for anew while it is looked at, in ms. */
const again = 3000

/** BusScreen shows what the box hears on its CAN links, a link after the other. It only listens, and so does this. See page.md 7, not heard; 8, stop first. */
export function BusScreen({ acts, room }: { acts: Acts; room: Room }) {
  const asked = useAsked('api/bus', String(Math.floor(moment().steady / again)), readBus)
  const { phone } = room
  const free = room.height - (phone ? 16 + 40 + 16 + 184 : 32 + 64 + 20 + 190)
  const tall = (l: BusLine) => {
    const size = phone ? 17 : 24
    const width = phone ? (l.kind === 'row' ? 245 : 322) : l.kind === 'row' ? 690 : 1060
    const text = phone && l.end ? `${l.text}, ${l.end}` : l.text
    return 12 + lines(text || ' ', width, l.kind === 'row' ? size : size + 1, l.kind === 'row' ? 500 : 650) * (phone ? 21 : 29)
  }
  const all = (asked.what ?? []).flatMap((k) => pagesOf(k.lines, (page) => page.reduce((sum, l) => sum + tall(l), 0) <= free).map((page) => ({ link: k.link, page })))
  const { shown, more, next } = usePages(all, 1)
  if (asked.what === undefined) {
    return <div class="page careful"><h1>{say('Bus')}</h1><Waiting asked={asked} acts={acts} /></div>
  }
  const now = shown[0]
  return (
    <div class="page careful bus">
      <h1>{say('Bus')}{now && <span class="also">{now.link}</span>}{asked.trouble && <span class="also" role="status">{asked.trouble}</span>}</h1>
      {now === undefined ? <p class="none">{say('This box listens to no bus.')}</p> : (
        <ul class="wire">{now.page.map((l, i) => (
          <li key={i} class={l.kind} style={{ height: `${tall(l)}px` }}>
            {l.kind === 'row' && <b>{l.lead}</b>}
            <span>{phone && l.end ? `${l.text}, ${l.end}` : l.text}</span>
            {!phone && l.end && <span class="ends">{l.end}</span>}
          </li>
        ))}</ul>
      )}
      <Back acts={acts} more={more} next={next} />
    </div>
  )
}
