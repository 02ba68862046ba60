(function(){
"use strict";
var root=document.documentElement,words=["as the system","light","dark"],values=["","light","dark"],key="poolproof-theme";
function kept(){try{return localStorage.getItem(key)||""}catch(e){return ""}}
function keep(v){try{localStorage.setItem(key,v)}catch(e){}}
function show(v){if(v){root.setAttribute("data-theme",v)}else{root.removeAttribute("data-theme")}}
var tools=document.querySelector(".tools");
if(tools){
var label=document.createElement("label"),choice=document.createElement("select");
label.textContent="Colours ";
words.forEach(function(word,i){var o=document.createElement("option");o.value=values[i];o.textContent=word;choice.appendChild(o)});
choice.value=kept();show(choice.value);
choice.addEventListener("change",function(){show(choice.value);keep(choice.value)});
label.appendChild(choice);tools.appendChild(label);
}
function value(cell){
var text=cell?cell.textContent.trim():"",bare=text.replace(/[(),\u00a0]/g,"").replace(/\u2212/g,"-"),number=parseFloat(bare);
if(isNaN(number)){return text}
var unit=bare.replace(/^[-+]?[\d.]+\s*/,"").split(/\s/)[0];
return number*({"\u00b5s":1e-6,"ms":1e-3,"kB/s":1e3,"MB/s":1e6,"GB/s":1e9}[unit]||1);
}
Array.prototype.forEach.call(document.querySelectorAll("table.sortable"),function(table){
var body=table.tBodies[0];
Array.prototype.forEach.call(table.tHead.rows[0].cells,function(head,index){
var button=document.createElement("button");
button.type="button";button.className="sort";
while(head.firstChild){button.appendChild(head.firstChild)}
head.appendChild(button);
button.addEventListener("click",function(){
var up=head.getAttribute("aria-sort")!=="ascending";
Array.prototype.forEach.call(table.tHead.rows[0].cells,function(other){other.removeAttribute("aria-sort")});
head.setAttribute("aria-sort",up?"ascending":"descending");
Array.prototype.slice.call(body.rows).map(function(row){return{row:row,value:value(row.cells[index])}})
.sort(function(a,b){
var d=typeof a.value==="number"&&typeof b.value==="number"?a.value-b.value:String(a.value).localeCompare(String(b.value));
return up?d:-d;
}).forEach(function(entry){body.appendChild(entry.row)});
});
});
});
Array.prototype.forEach.call(document.querySelectorAll("figure[data-points]"),function(figure){
var svg=figure.querySelector("svg"),points;
try{points=JSON.parse(figure.getAttribute("data-points"))}catch(e){return}
if(!svg||!points.length){return}
var note=document.createElement("output"),box=svg.viewBox.baseVal;
note.className="reading";note.setAttribute("aria-hidden","true");
figure.insertBefore(note,figure.querySelector("figcaption"));
svg.addEventListener("pointermove",function(event){
var frame=svg.getBoundingClientRect(),x=(event.clientX-frame.left)*box.width/frame.width,best=points[0];
points.forEach(function(point){if(Math.abs(point[0]-x)<Math.abs(best[0]-x)){best=point}});
note.textContent=best[1];
});
svg.addEventListener("pointerleave",function(){note.textContent=""});
});
})();
